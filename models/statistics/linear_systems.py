"""Solution of small systems of linear equations inside compiled loops."""

from models.statistics.arrays import Floats
from models.statistics.compiled import kernel


@kernel
def solve_spd(matrix: Floats, right: Floats) -> bool:  # pragma: no cover - compiled
    """Solve a small positive-definite system by Gauss–Jordan, in place.

    Parameters
    ----------
    matrix : ndarray of shape (n, n)
        Positive definite; the identity afterwards. [any unit]
    right : ndarray of shape (n, columns)
        Right sides; the solutions afterwards. [any unit]

    Returns
    -------
    bool
        False where the matrix is not positive definite.
    """
    n = matrix.shape[0]
    for k in range(n):
        pivot = matrix[k, k]
        if not pivot > 1e-300:
            return False
        inverse = 1.0 / pivot
        for j in range(n):
            matrix[k, j] *= inverse
        for j in range(right.shape[1]):
            right[k, j] *= inverse
        for i in range(n):
            factor = matrix[i, k]
            if i == k or factor == 0.0:
                continue
            for j in range(n):
                matrix[i, j] -= factor * matrix[k, j]
            for j in range(right.shape[1]):
                right[i, j] -= factor * right[k, j]
    return True
