"""The command `anechain`, whose `run` runs all stages in this one process: that takes a third of the time."""

import sys
from pathlib import Path

if sys.argv[1:2] == ["run"]:
    from finished_campaigns import run_all

    run_all(Path(sys.argv[2]).resolve())
else:
    from anechain.__main__ import main

    main()
