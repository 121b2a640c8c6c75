"""The command `anechain`, but `run` runs all stages in one process, without the workflow: a third of the time."""

import sys
from pathlib import Path

if sys.argv[1:2] == ["run"]:
    from finished_campaigns import run_all

    run_all(Path(sys.argv[2]).resolve())
else:
    from anechain.__main__ import main

    main()
