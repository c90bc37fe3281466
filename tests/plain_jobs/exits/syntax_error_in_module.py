"""A syntax error in an imported module and a name error with a hint end the program."""

# /// job
# rounds = ["syntax", "name", "attribute", "import"]
# ///
import sys

with open("broken.py", "w") as file:
    file.write("def f(:\n    pass\n")
length_of_all = 3
if sys.argv[1] == "syntax":
    import broken
elif sys.argv[1] == "name":
    print(length_of_al)
elif sys.argv[1] == "attribute":
    import threading

    threading.Thraed()
else:
    from threading import Thraed
