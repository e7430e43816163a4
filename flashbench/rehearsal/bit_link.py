"""From a stream of clocks to the whole bytes that a target knows."""

from flashbench.rehearsal.spi_target import SpiTarget


class BitLink:
    """Counts bits, so that a target which knows whole bytes sees any number of clocks."""

    def __init__(self, target: SpiTarget) -> None:
        self.target = target
        self.selected = False
        self._bits = 0  # clocks since the last whole byte
        self._mosi = 0
        self._miso: int | None = None  # the byte being shifted out by the target

    def select(self, at_s: float) -> None:
        if not self.selected:
            self.selected, self._bits, self._mosi, self._miso = True, 0, 0, None
            self.target.select(at_s)

    def deselect(self, at_s: float) -> None:
        if self.selected:
            self.selected = False
            self.target.deselect(at_s, self._bits)

    def shift(
        self, data: bytes | None, count: int, *, reads: bool, at_s: float, byte_s: float
    ) -> bytes:
        """Clock `count` bytes; `data` is None where MOSI stands still."""
        if not self.selected:
            return b"\xff" * count if reads else b""
        if self._bits:
            outgoing = b"\xff" * count if data is None else data
            return self._shift_unaligned(outgoing, at_s, byte_s)
        if data is None:
            return self.target.shift_in(count, at_s, byte_s)
        if not reads:
            self.target.shift_out(data, at_s, byte_s)
            return b""
        return self._exchange(data, at_s, byte_s)

    def _exchange(self, data: bytes, at_s: float, byte_s: float) -> bytes:
        sent = 0
        while sent < len(data) and not self.target.answering:
            self.target.shift_out(data[sent : sent + 1], at_s + sent * byte_s, byte_s)
            sent += 1
        rest = len(data) - sent
        answer = self.target.shift_in(rest, at_s + sent * byte_s, byte_s) if rest else b""
        return b"\xff" * sent + answer

    def _shift_unaligned(self, data: bytes, at_s: float, byte_s: float) -> bytes:
        count = 8 * len(data)
        value = int.from_bytes(data, "big")
        return self.shift_many(value, count, at_s=at_s, byte_s=byte_s).to_bytes(len(data), "big")

    def shift_many(self, value: int, count: int, *, at_s: float, byte_s: float) -> int:
        """Clock the low `count` bits of `value`, the highest of them first; what came in."""
        head = min(count, -self._bits % 8)
        whole, tail = divmod(count - head, 8)
        answer = self._few(value >> (count - head), head, at_s, byte_s)
        at_s += byte_s * head / 8
        if whole:
            middle = (value >> tail & ((1 << 8 * whole) - 1)).to_bytes(whole, "big")
            came = self.shift(middle, whole, reads=True, at_s=at_s, byte_s=byte_s)
            answer = answer << 8 * whole | int.from_bytes(came, "big")
            at_s += byte_s * whole
        return answer << tail | self._few(value, tail, at_s, byte_s)

    def _few(self, value: int, count: int, at_s: float, byte_s: float) -> int:
        """Clock the low `count` bits, fewer than eight."""
        return self.shift_bits(value << (8 - count) & 0xFF, count, at_s=at_s, byte_s=byte_s)

    def shift_bits(self, value: int, count: int, *, at_s: float, byte_s: float) -> int:
        """Clock the top `count` bits of the byte `value`; what came in, in the low bits."""
        answer = 0
        for bit in range(count):
            if not self.selected:
                answer = answer << 1 | 1
                continue
            if self._bits == 0:
                answering = self.target.answering
                self._miso = self.target.shift_in(1, at_s, byte_s)[0] if answering else None
            level = 1 if self._miso is None else self._miso >> (7 - self._bits) & 1
            answer = answer << 1 | level
            self._mosi = (self._mosi << 1 | (value >> (7 - bit) & 1)) & 0xFF
            self._bits = (self._bits + 1) % 8
            if self._bits == 0 and self._miso is None:
                self.target.shift_out(bytes((self._mosi,)), at_s, byte_s)
        return answer
