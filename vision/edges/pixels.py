"""The pixels of one or several pictures, addressed by their place in memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Pictures:
    """Pictures of one layout that are looked at together.

    Attributes
    ----------
    flats : tuple of P ndarrays
        Samples of each picture in a row, with the unused ends of its lines.
    shape : tuple of int
        Height and width.
    stride : int
        Samples from one line to the next.
    """

    flats: tuple[NDArray[Any], ...]
    shape: tuple[int, ...]
    stride: int

    @classmethod
    def of(cls, lumas: Sequence[NDArray[Any]]) -> Pictures:
        """View pictures without copying them.

        Parameters
        ----------
        lumas : sequence of ndarrays, shape (height, width)
            All of one shape and type, lines equally far apart.

        Raises
        ------
        ValueError
            If they differ.
        """
        first = lumas[0]
        if any(luma.strides != first.strides or luma.shape != first.shape for luma in lumas):
            raise ValueError("pictures looked at together must have one shape and layout")
        (height, width), stride = first.shape, first.strides[0] // first.itemsize
        samples = ((height - 1) * stride + width,)
        flats = tuple(
            np.lib.stride_tricks.as_strided(luma, samples, (luma.itemsize,), writeable=False)
            for luma in lumas
        )
        return cls(flats, first.shape, stride)

    def parts(self, picture: NDArray[np.int64]) -> Iterator[tuple[NDArray[Any], slice]]:
        """Give the samples of each picture, and which of several things that lie in pictures lie in it.

        Parameters
        ----------
        picture : ndarray of int, shape (Q,)
            Which picture each thing lies in, rising.

        Yields
        ------
        samples : ndarray, shape (N,)
            As in ``flats``.
        those : slice
            Of the things; pictures without any are left out.
        """
        bounds = np.searchsorted(picture, np.arange(len(self.flats) + 1))
        for flat, (first, last) in zip(self.flats, pairwise(bounds.tolist()), strict=True):
            if last > first:
                yield flat, slice(first, last)
