"""General statistics, independent of vans: compiled kernels, work side by side, order statistics, smoothing, window levels, coloured
noise.

Every other package of models may use them; they use none of the others.
"""
