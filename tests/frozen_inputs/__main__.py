"""Renew methods.lock after a change of code: `make lock`."""

import sys

from anechain.errors import InputError
from anechain.method_lock.lock import renew_lock
from frozen_inputs.calls import reference_calls

try:
    print("\n".join(renew_lock(reference_calls())))
except InputError as input_error:
    sys.exit(str(input_error))
