"""Scripts whose text cannot be decoded, has a null in it, or names its encoding."""

# /// job
# rounds = ["'print(\"\\377\")\\n'", "'x = 1\\000\\n'", "'# coding: latin-1\\nprint(ascii(\"\\344\"))\\n'", "'# coding: nonsense\\n'", "'\\357\\273\\277print(3)'", "''"]
# shell = "eval printf ${@: -1} > odd.py; set -- \"${@:1:$#-1}\"; exec \"${@/job.py/odd.py}\""
# ///
