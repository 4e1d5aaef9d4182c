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
