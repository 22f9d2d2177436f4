# SPDX-License-Identifier: GPL-3.0-or-later
"""Paths and profiles that all tests share."""

from __future__ import annotations

import atexit
import os
import shutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
for place in (ROOT / "addon", ROOT / "headless_tests", ROOT / "scripts"):
    if str(place) not in sys.path:
        sys.path.insert(0, str(place))

# Before numpy is imported: as the product has it; and processes that share the machine take one core each.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
if "PYTEST_XDIST_WORKER" in os.environ:
    os.environ["IGL_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

# Before bpy is imported: a user's own extensions must not shadow what is tested here.
os.environ["BLENDER_USER_RESOURCES"] = tempfile.mkdtemp(prefix="arming-cap-test-")
if "PYTEST_XDIST_WORKER" not in os.environ:  # the processes of one run share what it has kept
    os.environ["ARMING_CAP_CACHE"] = tempfile.mkdtemp(prefix="arming-cap-cache-")
    atexit.register(shutil.rmtree, os.environ["ARMING_CAP_CACHE"], ignore_errors=True)

from hypothesis import HealthCheck, settings  # noqa: E402

settings.register_profile(
    "project",
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
settings.load_profile("project")
