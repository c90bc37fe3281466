"""What a program finds in sys.orig_argv (Python 3.10)."""

# /// job
# since = "3.10"
# ///
import sys

print(sys.orig_argv[1:])
