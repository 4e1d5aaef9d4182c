"""What the engine's kernels hand to each other: one record per capture, and the rows kept for the truth."""

import numpy as np

RUN_IN_S = 0.9
RPM = 9.549296585513721
# rows of the noise-free traces kept for the truth
FLOW_IN, SAID, SPEED, PLATE, RICHNESS, PRESSURE, BALANCE, FUEL = range(8)
# entries of the events kept for the truth
CUT_AT, RESUME_AT, MISFIRES, DIPS, TRIM_IDLE, TRIM_2500, TRANSPORT = range(7)
TRACES, EVENTS = 8, 7
MOST_CYLINDERS = 8

_CONSTANTS = """ambient intake gas root_rt rated idle_scale target cold_rich area_start wetting omega_duct drop
filter_drop alive"""
_STATES = """t pedal plate before released_s loaded_s rpm closed_again_s richness_target area_idle area ignition limited
boost box flow duct pressure through charge burnt vapour air exhaust temperature fill highest pulse_age pulse_size at_element wrong element
believed believed_pressure sag rail dip_left mean_richness angle unburnt torque_noise gas_noise outflow volume speed
cold"""
_FLAGS = "warm learning cutting off_idle closed"
_COUNTS = "last_event at_valve at_sensor"
_BY_BANK = "trims short was_lean film film_counted mean_share leaving mixture mixed seen"

# The state of one engine. Pressures in Pa (ambient, box, duct, pressure of the manifold), flows in kg/s (flow in the
# duct, through the plate, charge into the cylinders, air in it, fuel vapour, element as the sensor says, believed by the
# control unit), speed in
# rad/s, temperature in K, areas in m2; film on the wall and as the control unit counts it in kg; mixtures as 1/lambda.
STATE = np.dtype(
    [(name, np.float64) for name in f"{_CONSTANTS} {_STATES}".split()]
    + [(name, np.bool_) for name in _FLAGS.split()]
    + [(name, np.int64) for name in _COUNTS.split()]
    + [(name, np.float64, (2,)) for name in _BY_BANK.split()]
    + [("share", np.float64, (MOST_CYLINDERS,)), ("cells_flow", np.float64, (3,)), ("cells_trim", np.float64, (3, 2))],
    align=True,
)
