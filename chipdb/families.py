"""Supply ranges by the letters of the part name, for parts that no datasheet is cited for.

A family rule may stop a voltage and never allow one. The rules come from public part lists (the
Linux kernel's spi-nor drivers) where `public` is true; the others are from memory.
"""

import re
from dataclasses import dataclass
from typing import Final

VOLTS_1_2: Final = (1.1, 1.3)
VOLTS_1_8: Final = (1.65, 1.95)
VOLTS_1_8_MICRON: Final = (1.7, 2.0)
VOLTS_1_8_MACRONIX: Final = (1.65, 2.0)
VOLTS_3: Final = (2.7, 3.6)
VOLTS_2_3_TO_3_6: Final = (2.3, 3.6)
VOLTS_WIDE: Final = (1.65, 3.6)


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyRule:
    """Parts whose name begins like `pattern` take `volts` (minimum, maximum)."""

    pattern: str
    volts: tuple[float, float]
    letters: str  # for sentences: "MX25U"
    public: bool


def _rule(pattern: str, volts: tuple[float, float], letters: str, public: bool) -> FamilyRule:
    return FamilyRule(pattern=pattern, volts=volts, letters=letters, public=public)


_PUBLIC = (
    (r"W(25[A-Z]|77Q)\d{2,3}NE", VOLTS_1_2, "Winbond ...NE"),
    (r"MX25S", VOLTS_1_2, "Macronix MX25S"),
    (r"GD25(UF|NF|NE)", VOLTS_1_2, "GigaDevice GD25UF, NF, NE"),
    (r"W(25[A-Z]|77Q)\d{2,3}[BDEFJN]W", VOLTS_1_8, "Winbond ...W"),
    (r"MX(25|66)U", VOLTS_1_8_MACRONIX, "Macronix MX25U, MX66U"),
    (r"GD(25|55)L[QBETX]", VOLTS_1_8, "GigaDevice GD25L."),
    (r"IS25W[PX]", VOLTS_1_8, "ISSI IS25WP, WX"),
    (r"MT25QU|N25Q\d{2,3}AX?[BE]?11|N25Q\d{2,3}AX1", VOLTS_1_8_MICRON, "Micron MT25QU, N25Q...A11"),
    (r"S25FS|S25HS|S28HS", VOLTS_1_8_MICRON, "Infineon S25FS, S25HS, S28HS"),
    (r"SST26WF", VOLTS_1_8, "Microchip SST26WF"),
    (r"EN25S", VOLTS_1_8, "Eon EN25S"),
    (r"AT25(SL|QL)", VOLTS_1_8, "Adesto AT25SL, AT25QL"),
    (r"MX25R", VOLTS_WIDE, "Macronix MX25R"),
    (r"GD25WQ", VOLTS_WIDE, "GigaDevice GD25WQ"),
    (r"P25Q\d+U", VOLTS_WIDE, "Puya P25Q..U"),
    (r"W25[A-Z]\d{2,3}[BFJ]V", VOLTS_3, "Winbond ...BV, FV, JV"),
    (r"MX25L", VOLTS_3, "Macronix MX25L"),
    (r"GD25[QBF]", VOLTS_3, "GigaDevice GD25Q, B, F"),
    (r"IS25LP", VOLTS_2_3_TO_3_6, "ISSI IS25LP"),
    (r"MT25QL|N25Q\d{2,3}AX?[BE]?13|N25Q\d{2,3}AX3", VOLTS_3, "Micron MT25QL, N25Q...A13"),
    (r"S25FL|S25HL", VOLTS_3, "Infineon S25FL, S25HL"),
    (r"SST26VF", VOLTS_3, "Microchip SST26VF"),
    (r"EN25QH?\d", VOLTS_3, "Eon EN25Q, EN25QH"),
)

_FROM_MEMORY = (
    (r"W25[QX]\d{2,3}[BC]L", VOLTS_2_3_TO_3_6, "Winbond ...BL, CL"),
    (r"W25[QX]\d{2,3}[CDR]V", VOLTS_3, "Winbond ...CV, DV, RV"),
    (r"W25[XP]\d", VOLTS_3, "Winbond W25X, W25P"),
    (r"MX66L", VOLTS_3, "Macronix MX66L"),
    (r"MX25V", VOLTS_2_3_TO_3_6, "Macronix MX25V"),
    (r"GD25LF", VOLTS_1_8, "GigaDevice GD25LF"),
    (r"GD25[TX]|GD55[BFTX]", VOLTS_3, "GigaDevice GD25T, X, GD55B, F, T, X"),
    (r"GD25WB", VOLTS_WIDE, "GigaDevice GD25WB"),
    (r"IS25WJ", VOLTS_1_8, "ISSI IS25WJ"),
    (r"IS25(LQ|CD|LX)", VOLTS_3, "ISSI IS25LQ, CD, LX"),
    (r"PM25L", VOLTS_3, "PMC Pm25L"),
    (r"MT35XU|M25QU", VOLTS_1_8_MICRON, "Micron MT35XU, M25QU"),
    (r"MT35XL|M25P|M45P", VOLTS_3, "Micron MT35XL, M25P, M25PE, M25PX, M45PE"),
    (r"S28HL|S70FL|S25SL", VOLTS_3, "Infineon S28HL, S70FL, S25SL"),
    (r"S70FS", VOLTS_1_8_MICRON, "Infineon S70FS"),
    (r"SST25WF", VOLTS_1_8, "Microchip SST25WF"),
    (r"SST25VF", VOLTS_3, "Microchip SST25VF"),
    (r"EN25[PF]", VOLTS_3, "Eon EN25P, EN25F"),
    (r"AT2[56](DF|F)|AT45", VOLTS_3, "Adesto AT25DF, AT26, AT45"),
    (r"XT25F", VOLTS_3, "XTX XT25F"),
    (r"XT[25]5Q", VOLTS_1_8, "XTX XT25Q"),
    (r"XT25W", VOLTS_WIDE, "XTX XT25W"),
    (r"XM25QH", VOLTS_3, "XMC XM25QH"),
    (r"XM25QU", VOLTS_1_8, "XMC XM25QU"),
    (r"ZB25VQ|ZD25Q", VOLTS_3, "Zbit ZB25VQ, Zetta ZD25Q"),
    (r"DS25Q", VOLTS_3, "Dosilicon DS25Q"),
    (r"DS25M", VOLTS_1_8, "Dosilicon DS25M"),
    (r"F25L", VOLTS_3, "ESMT F25L"),
    (r"P25Q\d+H", VOLTS_2_3_TO_3_6, "Puya P25Q..H"),
)

RULES: Final = tuple(_rule(*row, True) for row in _PUBLIC) + tuple(
    _rule(*row, False) for row in _FROM_MEMORY
)


def family_supply(part: str) -> FamilyRule | None:
    """The rule for a part name with its maker's letters ("MX25U6435F"), or None if unknown.

    1.2 V and 1.8 V rules are asked before 3 V ones.
    """
    name = part.upper()
    return next((rule for rule in RULES if re.match(rule.pattern, name)), None)
