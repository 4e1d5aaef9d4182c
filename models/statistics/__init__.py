"""General statistics that know nothing of vans: compiled kernels, order statistics, smoothing, coloured noise.

Every other room of models may use them; they use none.
"""
