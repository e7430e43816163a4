"""What all evidence has in common: it cannot be derived from, copied or pickled."""

from typing import Never, SupportsIndex


class Evidence:
    """Base of `Identified`, `StableRead`, `Backup`, `Found`, `Plan`, `Written` and `Verified`.

    A subclass could leave out the seal and a copy could be used a second time, so both are a
    TypeError.
    """

    __slots__ = ()

    def __init_subclass__(cls) -> None:
        if Evidence not in cls.__bases__:
            raise TypeError(f"{cls.__bases__[0].__name__} is evidence and has no subclasses")

    def __reduce_ex__(self, protocol: SupportsIndex) -> Never:
        raise TypeError(f"{type(self).__name__} is evidence of one session and is never copied")
