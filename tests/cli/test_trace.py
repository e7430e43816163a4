"""What `--trace` writes down, and what it never does."""

import json
from pathlib import Path
from typing import Any

from tests.cli.workplace import Workplace, contents, edited


def traced(place: Workplace, verb: str, *words: str) -> tuple[list[dict[str, Any]], bytes]:
    path = place.folder / "trace.jsonl"
    result = place.on_job(verb, *words, "--trace", str(path))
    assert result.exit_code == 0, result.stderr
    return [json.loads(line) for line in path.read_text().splitlines()], path.read_bytes()


def test_it_has_every_erase_and_program_with_its_address(place: Workplace) -> None:
    lines, _ = traced(place, "write", "--yes")

    erases = [line["address"] for line in lines if line.get("op") == "20h"]
    programs = [line for line in lines if line.get("op") == "02h"]
    assert erases == [0x0010_0000, 0x00FF_F000]
    assert 0x0010_0100 in [line["address"] for line in programs]
    assert all(line["sent_bytes"] <= 256 and "sent_hash" in line for line in programs)
    events = [line["event"] for line in lines if "event" in line]
    assert events[:3] == ["opened", "sample pins", "drive pins"]
    assert events[-1] == "release pins"


def test_looking_at_the_lines_is_told_by_counts_alone(place: Workplace) -> None:
    lines, _ = traced(place, "verify")

    (sampled,) = [line for line in lines if line.get("event") == "sample pins"]
    assert sampled.keys() == {"t_s", "event", "looks", "changes"}
    assert sampled["looks"] > 500
    assert sampled["changes"] == {}


def test_equal_hashes_mean_equal_bytes_within_one_recording_only(place: Workplace) -> None:
    first, _ = traced(place, "verify")
    lines, _ = traced(place, "verify")
    hashes = [
        line["reply_hash"] for line in lines if line.get("op") == "03h" and "reply_hash" in line
    ]

    assert len(hashes) == 2  # the array as a whole, in each of two recordings
    assert hashes[0] != hashes[1]
    assert len(first) * 2 == len(lines)


def test_contents_are_never_in_it(place: Workplace) -> None:
    _, text = traced(place, "write", "--yes")

    for image in (contents(), edited(contents())):
        for offset in (0, 0x0010_0120, 0x0020_0000, len(image) - 16):
            piece = image[offset : offset + 8]
            assert piece.hex().encode() not in text
            assert piece not in text


def test_id_and_status_are_written_out(place: Workplace) -> None:
    lines, _ = traced(place, "verify")

    replies = {line["op"]: line["reply"] for line in lines if "reply" in line}
    assert replies["9Fh"].startswith("ef4018")
    assert replies["05h"] == "00"
    assert "4Bh" not in replies  # the unique ID is nobody's business


def test_a_trace_file_that_cannot_be_opened_is_a_wrong_call(
    place: Workplace, tmp_path: Path
) -> None:
    result = place.on_job("verify", "--trace", str(tmp_path / "none" / "trace.jsonl"))

    assert result.exit_code == 2
    assert "does not open" in result.stderr
