"""Renew methods.lock after a change of code: `make lock`."""

import sys

from anechain.errors import Refusal
from anechain.method_lock.lock import renew_lock
from frozen_inputs.calls import reference_calls

try:
    print("\n".join(renew_lock(reference_calls())))
except Refusal as refusal:
    sys.exit(str(refusal))
