"""The udev rules: exactly the adapters we use, for the person at the screen, for nobody else."""

import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest
from pyftdi.ftdi import Ftdi

RULES = Path(__file__).parent.parent / "udev" / "60-flashbench.rules"


@dataclass(frozen=True, slots=True)
class Rule:
    """One line of a rules file: what must match, and what is then done."""

    matches: dict[str, str]
    actions: list[tuple[str, str, str]]  # key, operator, value


def parse_rules(text: str) -> list[Rule]:
    """Rules of a udev file by the syntax of udev(7): comma-separated KEY op "value"."""
    rules = []
    for line in text.splitlines():
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        tokens = []
        for part in line.split(","):
            token = re.fullmatch(r'\s*([A-Z_]+(?:\{[^}]+\})?)(==|!=|\+=|:=|=)"([^"]*)"\s*', part)
            assert token, f"not a udev token: {part!r}"
            tokens.append((token[1], token[2], token[3]))
        rules.append(
            Rule(
                matches={key: value for key, op, value in tokens if op == "=="},
                actions=[token for token in tokens if token[1] not in ("==", "!=")],
            )
        )
    return rules


def covered_ids(rules: list[Rule]) -> list[tuple[int, int]]:
    return sorted(
        (int(vendor, 16), int(product, 16))
        for rule in rules
        for vendor in rule.matches["ATTR{idVendor}"].split("|")
        for product in rule.matches["ATTR{idProduct}"].split("|")
    )


def test_the_rules_cover_the_three_adapters_and_nothing_else() -> None:
    # pyftdi's own table of FTDI product IDs is the outside source.
    product_ids = Ftdi.PRODUCT_IDS[Ftdi.FTDI_VENDOR]
    expected = sorted((Ftdi.FTDI_VENDOR, product_ids[chip]) for chip in ("232h", "2232h", "4232h"))

    assert covered_ids(parse_rules(RULES.read_text())) == expected


def test_every_rule_is_for_usb_devices_only() -> None:
    rules = parse_rules(RULES.read_text())

    assert [rule.matches["SUBSYSTEM"] for rule in rules] == ["usb"] * len(rules)


def test_the_only_thing_granted_is_access_for_the_user_of_the_session() -> None:
    """No MODE, GROUP, OWNER or RUN: a device is never writable for the whole world."""
    rules = parse_rules(RULES.read_text())

    assert [rule.actions for rule in rules] == [[("TAG", "+=", "uaccess")]] * len(rules)


def test_the_text_nowhere_offers_a_world_writable_device() -> None:
    for mode in re.findall(r'MODE:?="?(\d+)', RULES.read_text()):
        assert int(mode, 8) & 0o007 == 0, mode


def test_the_file_is_read_before_systemd_acts_on_uaccess() -> None:
    """systemd acts on the tag in 73-seat-late.rules; files are read in the order of names."""
    assert RULES.name < "73-seat-late.rules"


def test_the_comments_tell_how_to_install_and_how_to_undo() -> None:
    comments = [line for line in RULES.read_text().splitlines() if line.startswith("#")]
    text = "\n".join(comments)

    assert f"install -m 644 udev/{RULES.name} /etc/udev/rules.d/" in text
    assert f"rm /etc/udev/rules.d/{RULES.name}" in text
    assert text.count("udevadm control --reload") == 2


def test_udevadm_finds_nothing_wrong() -> None:
    udevadm = shutil.which("udevadm")
    if udevadm is None:
        pytest.skip("udevadm is not installed")
    known = subprocess.run([udevadm, "verify", "--help"], capture_output=True, check=False)
    if known.returncode != 0:
        pytest.skip("this udevadm has no verify (it came with systemd 254)")

    verdict = subprocess.run(
        [udevadm, "verify", str(RULES)], capture_output=True, text=True, check=False
    )

    assert verdict.returncode == 0, verdict.stdout + verdict.stderr
