"""A program imports itself by its file's name, and runs another file by runpy and by exec."""

import runpy
import sys

if __name__ == "__main__":
    import job

    print(job.__name__, job is sys.modules["__main__"])
    with open("other.py", "w") as file:
        file.write("import sys; print(__name__, sys.argv[1:], sorted(globals()))\n")
    names = runpy.run_path("other.py", run_name="__main__")
    print(sorted(name for name in names if not name.startswith("__")))
    with open("other.py") as file:
        exec(compile(file.read(), "other.py", "exec"), {"__name__": "executed"})
