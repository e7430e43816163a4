"""The README's library example, run as it stands there."""

import re
from pathlib import Path
from typing import Any

from flashbench.rehearsal import in_memory_bench
from tests.builders.bench import edited, firmware

README = Path(__file__).parent.parent / "README.md"


def example() -> str:
    (block,) = re.finditer(r"```python\n(.*?)```", README.read_text(), re.DOTALL)
    return block[1]


def test_the_example_in_the_readme_ends_with_the_new_image_on_the_chip(tmp_path: Path) -> None:
    old = firmware(16 << 20)
    new = edited(old, (0x4000, b"new memory"))
    with in_memory_bench(part="W25Q128JV", contents=old) as bench:
        names: dict[str, Any] = {
            "device": bench.device,
            "folder": tmp_path / "job",
            "new_image": new,
        }
        code = example().replace("clock_hz=30_000_000)", "clock_hz=30_000_000, time=bench.time)")
        exec(compile(code, str(README), "exec"), names | {"bench": bench}, names)

        assert bench.chip.contents == new
        assert names["proof"].byte_count == len(new)
        assert (tmp_path / "job" / "round-1" / "original.bin").read_bytes() == old
