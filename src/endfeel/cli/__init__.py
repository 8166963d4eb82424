"""The command line: every page's content, as text or as JSON."""

import os

# The arrays are many and small: several BLAS threads only wait for each other. Must be said before numpy loads.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from endfeel.cli.main import main  # noqa: E402

__all__ = ["main"]
