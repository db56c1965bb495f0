"""What compiled code needs to start."""

import subprocess
import sys

CODE = """
import sys
import numpy as np
from vision.compiled import njit
assert njit()(lambda x: x + 1)(np.ones(2)).sum() == 4
print("scipy.linalg" in sys.modules)
from scipy.linalg import cython_blas
print(cython_blas.__name__)
"""


def test_compiled_code_starts_without_scipys_linear_algebra_which_still_loads_when_asked_for():
    told = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=True).stdout.split()

    assert told == ["False", "scipy.linalg.cython_blas"]
