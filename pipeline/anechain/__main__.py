"""Run the commands with ``python -m anechain``."""

from anechain.cli import main

if __name__ == "__main__":
    main()
