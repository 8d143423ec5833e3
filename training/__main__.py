"""`python -m training`."""

import os

# Before numpy is loaded. The matrices of a fit are small: threads that share one wait for each other most of
# the time. An environment that says otherwise is heeded.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from training.cli import main  # noqa: E402

main(prog_name="python -m training")
