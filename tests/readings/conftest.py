"""One thread for many small solves: BLAS threads that wait for one another cost more than they give."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is imported
