"""Phrases that the methods of several quantities share."""

LEVEL = (
    "Noise of the trace through the weights of the level, the quantisation step where noise does not dither it, and the uncertainty of "
    "the family's transfer table between its points."
)
IDLE = "Scatter of the means of short blocks of the stretch, the quantisation step, and the transfer table between its points."
CROSSING = "Noise over the slope of the crossing, and the sampling interval."
LAMBDA_LEVEL = "Noise of the trace (white and first-order coloured noise), through the sensor's characteristic."
FIT = "That of the fit, with coloured noise."
UNFINISHED = " Of dead times, that of the event and of what holds each value; of time constants, what is still to come where hold or record end."
TWO_POINT = (
    "First-order response with dead time, started by the two-point method of K. R. Sundaresan and P. R. Krishnaswamy, Canadian Journal of "
    "Chemical Engineering 56, 1978, 257-262 (DOI 10.1002/cjce.5450560215), and refined by least squares."
)
SMOOTH = "“Fast” is the flow smoothed over ±4 ms, “slow” over ±15 ms."
