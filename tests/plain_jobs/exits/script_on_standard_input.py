"""A script comes on standard input."""

# /// job
# shell = "printf 'import sys\\nprint(sys.argv, __name__, sorted(globals()))\\n' | \"${@/job.py/-}\""
# arguments = ["one"]
# ///
