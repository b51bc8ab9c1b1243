"""The covariance of all notes of one piece, kept as what it is made of: a hundred trials take little room and time.

K = G G' + D + B B': G holds, by note, what the parameters and the cuts since do; D the note's own variance; B what the
notes of one trial share, block by block. By the lemma of Woodbury (Golub and Van Loan, Matrix Computations, 2.1.4)
K^-1 = R^-1 - R^-1 G (1 + G' R^-1 G)^-1 G' R^-1 with R = D + B B', and R^-1 likewise in each trial: the work grows
with the notes, not with their cube.
"""

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from fluewright.arrays import FloatArray, IntArray

__all__ = ["NoteCovariance", "root_of"]


def root_of(covariance: FloatArray) -> FloatArray:
    """Return L with L L' = covariance, shape (p, p), of a covariance that may lack rank."""
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


class NoteCovariance:
    """K of m notes, and what is asked of its inverse.

    Parameters
    ----------
    factors : array, shape (m, d)
        G.
    own : array, shape (m,)
        The diagonal of D, above 0.
    shared : array, shape (m, s)
        B, of which the rows of different trials have nothing in common.
    trial : int array, shape (m,)
        By note, not falling.
    """

    def __init__(self, factors: FloatArray, own: FloatArray, shared: FloatArray, trial: IntArray) -> None:
        self._own = own
        self._first = np.flatnonzero(np.diff(trial, prepend=-1))
        self._block = np.cumsum(np.diff(trial, prepend=trial[:1]) != 0)
        self._weighed = shared / own[:, None]
        inside = np.add.reduceat(self._weighed[:, :, None] * shared[:, None, :], self._first, axis=0)
        self._inside = np.eye(shared.shape[1]) + inside
        self._turned = self._without_factors(factors)
        core = np.eye(factors.shape[1]) + factors.T @ self._turned
        self._core = cho_factor(core, lower=True)

    def _without_factors(self, given: FloatArray) -> FloatArray:
        """Return R^-1 times an array of shape (m, k)."""
        summed = np.add.reduceat(self._weighed[:, :, None] * given[:, None, :], self._first, axis=0)
        back = np.linalg.solve(self._inside, summed)
        return np.asarray(given / self._own[:, None] - np.einsum("ms,msk->mk", self._weighed, back[self._block]))

    def solve(self, given: FloatArray) -> FloatArray:
        """Return K^-1 times an array of shape (m,) or (m, k)."""
        columns = given.reshape(len(given), -1)
        found = self._without_factors(columns) - self._turned @ cho_solve(self._core, self._turned.T @ columns)
        return np.asarray(found.reshape(given.shape))

    def inverse_diagonal(self) -> FloatArray:
        """Return the diagonal of K^-1, shape (m,)."""
        each = np.linalg.inv(self._inside)[self._block]
        alone = 1.0 / self._own - np.einsum("ms,mst,mt->m", self._weighed, each, self._weighed)
        return np.asarray(alone - (self._turned * cho_solve(self._core, self._turned.T).T).sum(axis=1))

    def log_determinant(self) -> float:
        """Return the logarithm of the determinant of K."""
        return float(
            np.log(self._own).sum()
            + np.linalg.slogdet(self._inside)[1].sum()
            + 2.0 * np.log(np.diag(self._core[0])).sum()
        )
