"""A script comes on standard input."""

# /// job
# shell = '''
# "${@/job.py/-}" <<< "import sys; print(sys.argv, __name__, sorted(globals()))"
# '''
# arguments = ["one"]
# ///
