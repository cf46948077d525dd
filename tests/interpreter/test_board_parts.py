"""Parts of the board: its port, its pins, its drivers' words on the wire, the wear of its flash."""

import ast
import re
from pathlib import Path

import pytest

HERE = Path(__file__).parent
BOARDS = HERE.parents[1] / "firmware" / "boards"


def pins_of(name):
    for node in ast.parse((BOARDS / (name + ".py")).read_text()).body:
        if isinstance(node, ast.Assign) and node.targets[0].id == "PINS":
            return ast.literal_eval(node.value)
    raise AssertionError(name)


def test_the_port_never_waits(micropython):
    said = micropython(HERE / "port_story.py")
    assert [line.split()[0] for line in said.strip().split("\n")] == ["full", "lying", "flood"]


# GPIO that the chip has for this, by the maker's documents: RP2040 datasheet, Pico board datasheet (23, 24, 25 and 29
# are the board's own); ESP32-S3 series datasheet (26 to 37 flash and memory, 19 and 20 USB, 0, 3, 45, 46 straps).
ALLOWED = {
    "pico": set(range(23)) | {26, 27, 28},
    "esp32": set(range(49)) - set(range(22, 38)) - {0, 3, 19, 20, 45, 46},
}


@pytest.mark.parametrize("name", sorted(ALLOWED))
def test_a_board_s_pins(name):
    rows = pins_of(name)
    assert len({row[0] for row in rows}) == len({row[1] for row in rows}) == len(rows)
    assert {row[1] for row in rows} <= ALLOWED[name]
    assert {row[2] for row in rows} == {"out", "in", "bus", "pwm"} and {row[3] for row in rows} == {0, 1}
    safe = {row[0]: row[3] for row in rows if row[2] == "out"}
    # What drives something is off; chip selects and the loops' supply are high when nothing is going on.
    high = {n for n, level in safe.items() if level}
    assert high == {n for n in safe if n.startswith("cs_")} | {"feed"}
    assert {"main", "pre", "charger", "enable", "alive"} <= set(safe) - high


def test_both_boards_have_the_same_lines():
    assert {row[0] for row in pins_of("pico")} == {row[0] for row in pins_of("esp32")}


def test_spi_pins_are_where_the_chip_has_spi_0():
    """RP2040 datasheet, table of GPIO functions: SPI0 RX, SCK and TX on 16, 18 and 19; PWM on every pin."""
    pins = {row[0]: row[1] for row in pins_of("pico")}
    assert (pins["miso"], pins["sck"], pins["mosi"]) == (16, 18, 19)


def test_the_converter_s_words(micropython, tmp_path):
    """MCP3208 datasheet (DS21298), figure of communication in 8-bit segments: 0000 01 SGL D2, D1 D0 and don't cares;
    back come a null bit, B11 to B8, then B7 to B0.  MCP23S17 (DS20001952): 0100 A2 A1 A0 R/W, register 0x12 GPIOA.
    """
    script = tmp_path / "words.py"
    script.write_text(
        "from boards.adc8 import Adc8\nfrom boards.inputs16 import Inputs16\n"
        "class Bus:\n"
        "    sent = []\n"
        "    back = b''\n"
        "    def write_readinto(self, tx, rx):\n"
        "        self.sent.append(bytes(tx))\n"
        "        rx[:] = self.back\n"
        "levels = []\n"
        "bus = Bus()\n"
        "adc = Adc8(bus, levels.append)\n"
        "bus.back = bytes([255, 0xEA, 0xBC])\n"
        "for channel in range(8):\n"
        "    assert adc.read(channel, 4) == 0xABC0, channel\n"
        "assert bus.sent[::4] == [bytes([6 + c // 4, c % 4 * 64, 0]) for c in range(8)]\n"
        "assert levels == [0, 1] * 32 and adc.there\n"
        "bus.back = b'\\xff\\xff\\xff'\n"
        "adc.read(0, 1)\n"
        "assert not adc.there\n"
        "bus.sent.clear()\n"
        "inputs = Inputs16(bus, levels.append)\n"
        "bus.back = bytes([255, 255, 0x81, 0x42 | 0x04])\n"
        "inputs.read()\n"
        "assert bus.sent[0][:2] == bytes([0x41, 0x12]) and len(bus.sent) == 2\n"
        "assert inputs.good and inputs.raw == 1 | 128 | 512 and inputs.on == 1, (inputs.raw, inputs.on)\n"
        "for wrong in (0x00, 0x80, 0xC0):\n"
        "    bus.back = bytes([255, 255, 0, wrong])\n"
        "    inputs.read()\n"
        "    assert not inputs.good\n"
        "print('right')\n"
    )
    assert micropython(script).strip() == "right"


def test_ten_years_of_saves_wear_out_no_sector(micropython):
    """30 saves a day are 110 000; the flash's datasheet promises 100 000 erases of a sector (W25Q16JV).

    A tenth of them here, with a tenth of a hundredth of the promise for limit: docs/board.md has the whole.
    """
    saves, erases, worst, _ = map(int, micropython(HERE / "flash_wear.py", "11000", heap="8m").split())
    assert saves == 11000 and erases > saves and worst < 100000 / 10 / 10


def test_the_images_names_are_the_firmware_s():
    """The host gives settings to a board under the name that the board looks for."""
    from packwarden.bench import tables
    from warden import settings

    text = (BOARDS / "base.py").read_text()
    assert re.search(r'"settings-%04x" % settings.LAYOUT', text)
    assert tables.image_name() == "settings-%04x" % settings.LAYOUT
