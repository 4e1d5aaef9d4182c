"""Phrases that the methods of several quantities share."""

LEVEL = (
    "Noise of the trace through the weights of the level, the quantisation step where noise does not dither it, and what the family's "
    "transfer table leaves open between its points."
)
IDLE = "Scatter of the means of short blocks of the stretch, the quantisation step, and what the transfer table leaves open."
CROSSING = "Noise over the steepness of the crossing, and the sampling interval."
LAMBDA_LEVEL = (
    "Noise of the trace with its memory from sample to sample (white and first-order coloured noise), through the "
    "sensor's characteristic."
)
FIT = "Spread of the fit, with the memory of the noise from sample to sample counted."
TWO_POINT = (
    "First-order response with dead time, started by the two-point method of K. R. Sundaresan and P. R. Krishnaswamy, Canadian Journal of "
    "Chemical Engineering 56, 1978, 257-262, and refined by least squares."
)
SMOOTH = "“Fast” is the flow smoothed over ±4 ms, “slow” over ±15 ms."
