# SPDX-License-Identifier: GPL-3.0-or-later
"""A fresh scene with the extension registered, for every test here."""

from __future__ import annotations

import pickle
from functools import partial

import pytest

bpy = pytest.importorskip("bpy", reason="needs the bpy module")


def pytest_collection_modifyitems(items):
    for item in items:
        if "headless_tests/blender/" in item.path.as_posix():
            item.add_marker(pytest.mark.bpy)


@pytest.fixture(scope="session")
def extension():
    import arming_cap

    arming_cap.register()
    yield arming_cap
    arming_cap.unregister()


@pytest.fixture(autouse=True)
def handed_over(extension, monkeypatch):
    """Let every task and its result go through a pickle, as to the process beside the window and back."""
    from arming_cap.blender import work

    plain = work.Work.run

    def run(self):
        if isinstance(self.task, partial):  # all else is done by a thread
            task = pickle.loads(pickle.dumps(self.task))
            self.task = lambda progress: pickle.loads(pickle.dumps(task(progress)))
        plain(self)

    monkeypatch.setattr(work.Work, "run", run)


@pytest.fixture
def scene(extension):
    """An empty scene that counts in millimetres."""
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    # An empty home file has no view layer settings of note; units are what the tests set.
    bpy.context.scene.unit_settings.system = "METRIC"
    bpy.context.scene.unit_settings.scale_length = 0.001
    return bpy.context.scene
