"""Texts to arrow arrays and arrow numbers to numpy, by their buffers: the library imports pandas to convert them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray


def string_array(texts: Sequence[str]) -> Any:
    """Texts as a pyarrow string array."""
    import pyarrow as pa

    coded = [text.encode("utf-8", "replace") for text in texts]
    edges = np.cumsum([0, *map(len, coded)], dtype=np.int32)
    return pa.StringArray.from_buffers(len(coded), pa.py_buffer(edges), pa.py_buffer(b"".join(coded)))


def numpy_of(array: Any, kind: type[np.generic]) -> NDArray[Any]:
    """Numbers of an array of a fixed width.

    Parameters
    ----------
    array
        pyarrow array, or chunked array, of numbers as wide as ``kind``; a null in floats is NaN.

    Returns
    -------
    ndarray
        Shape (n,); a view of the array's own memory where it is one chunk without nulls.
    """
    import pyarrow as pa

    if isinstance(array, pa.ChunkedArray):
        if array.num_chunks != 1:
            whole: NDArray[Any] = np.concatenate([numpy_of(part, kind) for part in array.chunks] or [np.zeros(0, kind)])
            return whole
        array = array.chunk(0)
    if array.null_count or not len(array):
        plain: NDArray[Any] = array.to_numpy(zero_copy_only=False)
        return plain
    return np.frombuffer(array.buffers()[1], kind)[array.offset : array.offset + len(array)]
