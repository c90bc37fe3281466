"""A script is run by a link in another folder: it finds its own folder's modules."""

# /// job
# shell = '''
# mkdir away
# ln -s ../job.py away/link.py
# echo "value = 4" > part.py
# exec "${@/job.py/away/link.py}"
# '''
# ///
import os
import sys

import part

print(part.value, os.path.relpath(__file__), sys.argv, os.path.basename(sys.path[0]))
