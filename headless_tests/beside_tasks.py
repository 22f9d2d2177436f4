# SPDX-License-Identifier: GPL-3.0-or-later
"""Tasks for the process beside the window that no honest task is like."""

from __future__ import annotations

import os
import time


def dies(line):
    """End the process in the middle, as the system does where memory runs out."""
    line(0.5, "half way")
    os._exit(3)


def sleeps(line):
    """Look at no progress for a minute, as a native call does."""
    time.sleep(60)


def prints(line):
    """Print, as a library may, and answer."""
    os.write(1, b"not a pickle\n")
    print("nor this", flush=True)
    return 7
