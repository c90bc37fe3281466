"""A program in the C locale without UTF-8 mode prints what it can."""

# /// job
# environment = { LC_ALL = "C", PYTHONCOERCECLOCALE = "0", PYTHONUTF8 = "0" }
# ///
import sys
from concurrent.futures import ThreadPoolExecutor


def grüße():
    return "grüße"


print(sys.stdout.encoding, sys.stdout.errors, sys.getfilesystemencoding())
with ThreadPoolExecutor(1) as pool:
    text = pool.submit(grüße).result()
print(ascii(text))
print(text)
