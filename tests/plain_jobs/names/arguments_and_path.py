"""What a program finds in sys.argv, sys.path, sys.flags, sys.orig_argv and about itself."""

# /// job
# arguments = ["--option", "-m", "x y", ""]
# ///
import os
import sys

print(sys.argv)
print(sys.path[0] == os.getcwd(), len(sys.path))
print(sys.flags)
print(sys.warnoptions, sys._xoptions, sys.dont_write_bytecode)
print(os.path.basename(sys.executable), os.getcwd() == os.path.dirname(os.path.abspath(__file__)))
print(sys.getswitchinterval(), sys.getrecursionlimit(), sys.excepthook is sys.__excepthook__)
