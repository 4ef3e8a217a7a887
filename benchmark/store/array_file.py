"""Many arrays in one file, of which a reader takes the rows it needs and no others.

The file begins with `MAGIC`, then come the arrays, each at a multiple of 64 bytes, then a CRC-32 of
each block of each array, then the index as JSON, and where that begins and how long it is. The
digest is the SHA-256 of CRCs and index, so it vouches for every byte; a block is checked when it is
first read. The file is mapped into memory: reading some rows of a large array costs those rows.
"""

from __future__ import annotations

import hashlib
import json
import mmap
import zlib
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from benchmark.errors import BenchmarkError

MAGIC = b"benchmark arrays 1\n".ljust(64, b"\0")
ALIGN = 64  # bytes; a processor reads arrays that begin so at full speed
BLOCK = 1 << 16  # bytes that have one CRC


class ArrayWriter:
    """Writes arrays one after the other; a context manager. `digest` is known when it is closed."""

    def __init__(self, path: Path) -> None:
        self._out = path.open("wb")
        self._index: dict[str, tuple[str, list[int], int]] = {}
        self._crcs: list[int] = []
        self.digest = ""
        self._out.write(MAGIC)

    def add(self, name: str, array: np.ndarray) -> None:
        """Write an array of numbers or of bytes of one length."""
        self.add_rows(name, [array], array.dtype, list(array.shape))

    def add_rows(
        self, name: str, parts: Iterable[np.ndarray], kind: np.dtype, shape: list[int]
    ) -> None:
        """Write an array whose rows come part by part; a name stands once."""
        if name in self._index:
            raise ValueError(f"{name} is in the file already")
        self._out.write(bytes(-self._out.tell() % ALIGN))
        self._index[name] = (kind.str, shape, self._out.tell())
        left = b""
        for part in parts:
            left += np.ascontiguousarray(part, dtype=kind).tobytes()
            whole = len(left) // BLOCK * BLOCK
            self._write(left[:whole])
            left = left[whole:]
        self._write(left)

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        self._crcs += [zlib.crc32(view[k : k + BLOCK]) for k in range(0, len(data), BLOCK)]
        self._out.write(data)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._out:
            if error is None:
                self._finish()

    def _finish(self) -> None:
        at = self._out.tell()
        tail = np.array(self._crcs, dtype="<u4").tobytes() + json.dumps(self._index).encode()
        self._out.write(tail)
        self._out.write(np.array([at, len(self._crcs)], dtype="<u8").tobytes())
        self.digest = hashlib.sha256(tail).hexdigest()


class ArrayFile:
    """A file of arrays, open to be read; the arrays that it gives stay good after it is gone."""

    def __init__(self, path: Path, digest: str) -> None:
        """Open a file.

        Raises
        ------
        OSError
            There is no such file, or it cannot be read.
        BenchmarkError
            It is not the file that the digest is of.
        """
        self._path = path
        with path.open("rb") as file:
            self._map = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        at, n = (int(one) for one in np.frombuffer(self._map[-16:], dtype="<u8"))
        tail = self._map[at:-16] if at < len(self._map) else b""
        if hashlib.sha256(tail).hexdigest() != digest:
            raise self._damaged()
        crcs = np.frombuffer(tail, dtype="<u4", count=n)
        index = json.loads(tail[4 * n :])
        self._arrays: dict[str, np.ndarray] = {}
        self._crcs: dict[str, np.ndarray] = {}
        self._checked: dict[str, np.ndarray] = {}
        used = 0
        for name, (kind, shape, offset) in index.items():
            count = int(np.prod(shape))
            array = np.frombuffer(self._map, dtype=kind, count=count, offset=offset)
            blocks = -(-array.nbytes // BLOCK)
            self._arrays[name] = array.reshape(shape)
            self._crcs[name] = crcs[used : used + blocks]
            self._checked[name] = np.zeros(blocks, dtype=bool)
            used += blocks

    def __contains__(self, name: object) -> bool:
        return name in self._arrays

    def names(self, prefix: str) -> list[str]:
        """Give the names of arrays that begin so."""
        return [name for name in self._arrays if name.startswith(prefix)]

    def length(self, name: str) -> int:
        """Give the number of rows of an array."""
        return len(self._arrays[name])

    def whole(self, name: str) -> np.ndarray:
        """Give all of an array.

        Raises
        ------
        BenchmarkError
            The file is damaged there.
        """
        return self.rows(name, 0, self.length(name))

    def rows(self, name: str, first: int, last: int) -> np.ndarray:
        """Give the rows from `first` to before `last`; errors as `whole`."""
        array = self._arrays[name]
        width = array.nbytes // max(len(array), 1)
        wanted = np.zeros(len(self._checked[name]), dtype=bool)
        wanted[first * width // BLOCK : -(-last * width // BLOCK)] = True
        self._check(name, wanted)
        return array[first:last]

    def take(self, name: str, rows: np.ndarray) -> np.ndarray:
        """Give a copy of some rows; errors as `whole`."""
        array = self._arrays[name]
        width = array.nbytes // max(len(array), 1)
        wanted = np.zeros(len(self._checked[name]), dtype=bool)
        if width:
            for at in (*range(0, width, BLOCK), width - 1):  # a row may reach into the next block
                wanted[(rows * width + at) // BLOCK] = True
        self._check(name, wanted)
        return np.asarray(array[rows])

    def _check(self, name: str, wanted: np.ndarray) -> None:
        """Check these blocks, those that were not checked before."""
        array, checked = self._arrays[name], self._checked[name]
        data = memoryview(array.reshape(-1).view(np.uint8).data)
        for k in np.flatnonzero(wanted & ~checked):
            if zlib.crc32(data[k * BLOCK : (k + 1) * BLOCK]) != self._crcs[name][k]:
                raise self._damaged()
        checked |= wanted

    def _damaged(self) -> BenchmarkError:
        return BenchmarkError(f"the fit in {self._path} is damaged: run `benchmark fit` again")
