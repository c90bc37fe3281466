"""joblib runs lists of calls on threads."""

# /// job
# needs = ["joblib"]
# ///
from joblib import Parallel, delayed

print(Parallel(n_jobs=2, backend="threading")(delayed(divmod)(n, 3) for n in range(20)))
print(Parallel(n_jobs=2, prefer="threads", return_as="list")(delayed(abs)(-n) for n in range(5)))
