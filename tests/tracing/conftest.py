"""One thread of linear algebra, as in the child process: small products gain nothing, and threads spin when busy."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
