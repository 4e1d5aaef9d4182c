"""Reference conditions and default limits, each with source and date.

A family's own figures in the register take precedence over the numbers here.
"""

# Reference atmosphere of SAE J1349 and ISO 1585 (99 kPa, dry air, 25 °C); second-hand quotation, read 2026-11-25.
REFERENCE_INTAKE_AIR_C = 25.0
REFERENCE_BAROMETER_KPA = 99.0

# Engine fully warm: coolant from here. Common practice, no source (2026-11-25).
WARM_COOLANT_C = 70.0

# Usual trigger: the analogue air-mass signal rising through 2 V. Common practice, no source (2026-11-25).
TRIGGER_V = 2.0
# Share of a recording before the trigger, its length and samples a second: 3 s of idle before the snap and 4 s after the
# release fit into it. Common practice, no source (2026-11-29).
TRIGGER_BEFORE_SHARE = 0.3
RECORDING_S = 10.0
RECORDING_RATE_HZ = 1000.0
# How long the pedal stays on the floor, and snaps of one visit. Common practice, no source (2026-11-29).
HOLD_S = 1.0
SNAPS_A_VISIT = 3

# Most snaps at one visit, and idle between them, so that exhaust and catalyst cool down. Common practice, no source (2026-11-29).
SNAPS_A_VISIT_MOST = 5
SNAP_PAUSE_S = 30.0

# Captures of one van less than this apart are one visit (delivery format, fixed).
VISIT_GAP_HOURS = 2.0

# A list whose latest visit of any van is this old is silent: it says nothing about the vans now. Vans usually visit
# every week, and a van without a visit for 8 weeks has no state: half of that. Common practice, no source (2026-11-29).
SILENT_WEEKS = 4

# Sampling rate and length of recordings that the delivery format accepts (fixed).
LOWEST_RATE_HZ = 1.0
HIGHEST_RATE_HZ = 200_000.0
SHORTEST_RECORDING_S = 1.0
LONGEST_RECORDING_S = 1800.0

# Dry air at molar mass 28.96546 g/mol and R = 8.314472 J/(mol K): CIPM-2007 (Picard et al.,
# Metrologia 45, 2008, 149; DOI 10.1088/0026-1394/45/2/004).
DRY_AIR_GAS_CONSTANT_J_KG_K = 8.314472 / 28.96546e-3
ZERO_CELSIUS_K = 273.15

# What hurts, whatever the van's own past: beyond these a van is called in. All are common practice, no source (2026-11-29),
# unless said; a family's table [FAMILY.limits] wins.
# Healthy engines run at lambda 0.85 to 0.95 at full throttle: without any enrichment the exhaust valves and pistons get hot.
FULL_THROTTLE_LAMBDA_HIGH = 1.0
# The same told by a narrowband sensor: its signal crosses 0.45 V at lambda 1.
FULL_THROTTLE_SIGNAL_LOW_V = 0.45
# On LPG and CNG engines often run at lambda 1 under load too, since gas cools nothing by evaporating; lean beyond doubt:
GAS_FULL_THROTTLE_LAMBDA_HIGH = 1.05
GAS_FULL_THROTTLE_SIGNAL_LOW_V = 0.2
# Growing leaner while held, in lambda a second: the pressure falls off, so a longer pull ends lean.
FULL_THROTTLE_SLOPE_HIGH_PER_S = 0.15
# Control units store "system too lean" or "too rich" near here: the trims have used up their hiding place.
TRIM_MOST_PCT = 25.0
# Both trims together to one side: the mixture is wrong everywhere, not at one flow.
TRIM_SUM_MOST_PCT = 35.0
# Misfires that one free snap shows.
LEAN_NEEDLES_MOST = 2.0
# One cylinder apart from the others at idle: lambda, and for a narrowband sensor a share of its swing.
CYCLE_RIPPLE_MOST = 0.02
CYCLE_RIPPLE_NARROWBAND_MOST = 0.15
# A narrowband sensor should swing within 0.1 s or so; a snap shows it behind wall film and mixing.
SWITCH_TIME_MOST_S = 0.3
# A warm petrol engine takes about one gram of air a second at idle for each litre.
IDLE_FLOW_LOW_G_S_PER_L = 0.5
IDLE_FLOW_HIGH_G_S_PER_L = 2.5
# A warm engine is back at a steady idle two or three seconds after the pedal is let go; one that takes longer hunts, or may
# stall. The usual recording goes on for four.
SETTLE_TIME_MOST_S = 3.5

LEAST_REMOVALS = 5
"""Parts worked on or replaced from which it is told how long they last. Common practice, no source (2026-11-29)."""
