"""Scripts whose text cannot be decoded, has a null in it, or names its encoding."""

# /// job
# rounds = [
#   'print("\377")',
#   'x = 1\000',
#   '# coding: latin-1\nprint(ascii("\344"))',
#   '# coding: nonsense',
#   '\357\273\277print(3)',
#   '',
# ]
# shell = '''
# printf "${@: -1}" > odd.py
# set -- "${@:1:$#-1}"
# exec "${@/job.py/odd.py}"
# '''
# ///
