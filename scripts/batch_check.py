# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line inside background Blender.

    blender --background [SCENE.blend] --python scripts/batch_check.py -- VERB ...

The verbs and their arguments are those of ``arming-cap``. With a scene opened and no further argument, ``check``
checks that scene. The compiled packages come from the installed extension, or from this Python where it has them.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "addon"))


def main() -> int:
    """Run the verb named behind ``--``."""
    from arming_cap import batch
    from arming_cap.core import engines

    arguments = sys.argv[sys.argv.index("--") + 1 :] if "--" in sys.argv else sys.argv[1:]
    if trouble := engines.problem():
        print(f"arming-cap: {trouble}; install the extension's zip into this Blender first", file=sys.stderr)
        return batch.WRONG_INPUT
    import bpy

    if arguments in ([], ["check"], ["check", "--json"]) and bpy.data.filepath:
        arguments = ["check", bpy.data.filepath, *arguments[1:]]
    return batch.main(arguments)


if __name__ == "__main__":
    status = main()
    sys.stdout.flush()
    sys.stderr.flush()
    # Blender would print a farewell on stdout behind the JSON document, and may crash while it takes Python down.
    os._exit(status)
