"""The causes Vansnap can name, one record each: what severity 1 means, the job, how it is found, what it does to the quantities.

Start at record.py.
"""

from collections.abc import Mapping

from data_contracts.causes.air_path import AIR_PATH
from data_contracts.causes.fuel_and_ignition import FUEL_AND_IGNITION
from data_contracts.causes.lambda_and_exhaust import LAMBDA_AND_EXHAUST
from data_contracts.causes.record import Cause
from data_contracts.causes.turbo import TURBO

CAUSES: Mapping[str, Cause] = {
    cause.code: cause for cause in (*AIR_PATH, *TURBO, *FUEL_AND_IGNITION, *LAMBDA_AND_EXHAUST)
}

NONE = "none"
NOT_SEPARABLE = "not_separable"
CAUSE_CODES: tuple[str, ...] = (*CAUSES, NONE)
