"""One thread for linear algebra, as the command line sets it; and nothing read from or kept in the user's own cache."""

import atexit
import os
import shutil
import tempfile

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ["BENCHLAB_CACHE"] = tempfile.mkdtemp(prefix="benchlab-tests-")
atexit.register(shutil.rmtree, os.environ["BENCHLAB_CACHE"], ignore_errors=True)
