"""A script that is not Python."""

# /// job
# shell = "printf 'import os\\nprint(1\\nprint(2)\\n' > broken.py; exec \"${@/job.py/broken.py}\""
# ///
