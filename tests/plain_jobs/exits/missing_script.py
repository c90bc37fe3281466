"""A script that is not there."""

# /// job
# shell = "exec \"${@/job.py/missing.py}\""
# ///
