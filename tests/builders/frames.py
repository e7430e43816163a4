"""The one place in the tests that takes the frame seal."""

from flashbench.adapter._frame import FRAME_SEAL, Frame


def frame(out: bytes, *, reply_size: int = 0, wait_us: int = 0, name: str | None = None) -> Frame:
    """A frame as `chip/` or `safe_write/` would build it."""
    return Frame(
        name=name or f"command {out[0]:02X}h",
        out=out,
        reply_size=reply_size,
        wait_us=wait_us,
        seal=FRAME_SEAL,
    )
