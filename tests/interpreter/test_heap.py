"""No heap in a scan, on 64 and on 32 bits; and a small board's heap is enough."""

from pathlib import Path

HERE = Path(__file__).parent
SCANS = ["modules 24 scans 6010 mode lockout trips 2", "modules 1 scans 6010 mode lockout trips 2"]


def test_not_a_byte_of_heap_in_6000_scans_64_bit(micropython):
    assert micropython(HERE / "locked.py").split("\n")[:2] == SCANS


def test_not_a_byte_of_heap_in_6000_scans_32_bit(micropython32):
    """Small integers end at 2**30 there: this found `48 + value` in the line encoder just before the clock wraps."""
    assert micropython32(HERE / "locked.py").split("\n")[:2] == SCANS


def test_the_lock_would_be_noticed(micropython, tmp_path):
    """The canary: one list made in a scan fails the suite above."""
    text = (HERE / "locked.py").read_text()
    spoilt = text.replace("scan_once(now)", "scan_once(now); [now]")
    assert spoilt != text
    script = tmp_path / "spoilt.py"
    script.write_text(spoilt)
    try:
        micropython(script)
    except AssertionError as failed:
        assert "MemoryError" in str(failed)
    else:
        raise AssertionError("a list made under the lock went unnoticed")



BOARD = HERE / "board_heap.py"


def test_not_a_byte_of_heap_in_a_board_s_turn_64_bit(micropython):
    """Wait, sample, scan, drive, port: what is made in each turn would have to be collected while driving."""
    said = micropython(BOARD, "300")
    assert "took 0 fed True" in said, said


def test_not_a_byte_of_heap_in_a_board_s_turn_32_bit(micropython32):
    said = micropython32(BOARD)
    assert "took 0 fed True" in said, said


def test_a_tuple_in_a_board_s_turn_would_be_noticed(micropython, tmp_path):
    """The canary: returning two values was how this began."""
    script = tmp_path / "spoilt.py"
    text = BOARD.read_text()
    script.write_text(text.replace("    board.drive()\n", "    board.drive()\n    return board.now_ms, 2\n"))
    try:
        micropython(script, "10")
    except AssertionError as failed:
        assert "MemoryError" in str(failed)
    else:
        raise AssertionError("a tuple made under the lock went unnoticed")
