"""Is the digest of a block stored somewhere else in the image? Then an edit breaks it.

SHA-1, SHA-256, SHA-384 and SHA-512 (FIPS 180-4) as raw bytes.
"""

import hashlib
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from flashbench.image.checks import Span
from flashbench.image.overlaps import Bounds

ALGORITHMS = ("sha1", "sha256", "sha384", "sha512")
HASHED_MAX = 512 << 20  # bytes over all stretches and algorithms
HASHED_TIMES, HASHED_MIN = 64, 64 << 20  # less for a small image
STORED_MAX = 4096
CHUNK = 1 << 22


@dataclass(frozen=True, slots=True)
class StoredDigest:
    """The digest of `covers` by `algorithm` ("SHA-256") stands at `offset`."""

    algorithm: str
    offset: int
    covers: Span

    def __str__(self) -> str:
        return (
            f"the {self.algorithm} of {self.covers.start:#x} to {self.covers.end:#x}, stored at"
            f" {self.offset:#x}"
        )


def find_stored_digests(
    data: bytes, stretches: Iterable[Span], bounds: Bounds | None = None
) -> tuple[StoredDigest, ...]:
    """Digests of any of `stretches` that stand in `data`, by offset; see `not_hashed`.

    At most `STORED_MAX`; `bounds` says what was left out.
    """
    bounds = bounds or Bounds()
    view = memoryview(data)
    wanted: dict[bytes, list[tuple[str, Span]]] = {}
    for span in _split(data, stretches)[0]:
        for algorithm in ALGORITHMS:
            digest = hashlib.new(algorithm, view[slice(*span)]).digest()
            wanted.setdefault(digest, []).append((algorithm.upper().replace("SHA", "SHA-"), span))
    found = []
    for offset in places_beginning_like(data, {digest[:4] for digest in wanted}):
        for size in (20, 32, 48, 64):
            # Equal copies have one digest.
            for algorithm, span in wanted.get(data[offset : offset + size], ()):
                if not bounds.take("stored digests", offset, most=STORED_MAX):
                    break
                found.append(StoredDigest(algorithm, offset, span))
    return tuple(found)


def not_hashed(data: bytes, stretches: Iterable[Span]) -> tuple[Span, ...]:
    """Those of `stretches`, the longest of too many, whose digests are not looked for."""
    return _split(data, stretches)[1]


def _split(data: bytes, stretches: Iterable[Span]) -> tuple[tuple[Span, ...], tuple[Span, ...]]:
    """The stretches to hash, short ones first, and those that would take too long."""
    inside = [span for span in stretches if 0 <= span.start < span.end <= len(data)]
    ordered = sorted(set(inside), key=lambda span: (span.end - span.start, span))
    left = min(HASHED_MAX, max(HASHED_MIN, HASHED_TIMES * len(data))) // len(ALGORITHMS)
    for index, span in enumerate(ordered):
        left -= span.end - span.start
        if left < 0:
            return tuple(ordered[:index]), tuple(ordered[index:])
    return tuple(ordered), ()


def stale_digests(
    data: bytes, digests: Iterable[StoredDigest]
) -> Iterator[tuple[StoredDigest, bytes]]:
    """Those of `digests` that do not stand in `data`, an edited image, with their new values."""
    values: dict[tuple[str, Span], bytes] = {}
    for stored in digests:
        name = stored.algorithm.lower().replace("-", "")
        value = values.get((name, stored.covers))
        if value is None:
            value = hashlib.new(name, data[slice(*stored.covers)]).digest()
            values[name, stored.covers] = value
        if not data.startswith(value, stored.offset):
            yield stored, value


def places_beginning_like(data: bytes, heads: Collection[bytes]) -> list[int]:
    """Every place at which one of some four-byte heads stands, found in one pass."""
    if not heads or len(data) < 4:
        return []
    wanted = np.array([int.from_bytes(head, "little") for head in heads], np.uint32)
    first_two = np.zeros(1 << 16, dtype=bool)
    first_two[wanted & np.uint32(0xFFFF)] = True
    places: list[int] = []
    every = np.ndarray((len(data) - 3,), np.dtype("<u4"), data, 0, (1,))
    pairs = np.ndarray((len(data) - 3,), np.dtype("<u2"), data, 0, (1,))
    for start in range(0, len(pairs), CHUNK):
        near = start + np.flatnonzero(first_two[pairs[start : start + CHUNK]])
        places += near[np.isin(every[near], wanted)].tolist()
    return places
