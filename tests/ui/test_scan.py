from acquire.ui.scan import GAP_S, ScanGate


def typed(gate: ScanGate, text: str, start_s: float, gap_s: float) -> list[str]:
    released = []
    for i, sign in enumerate(text):
        released += gate.key(sign, sign, start_s + i * gap_s, start_s + i * gap_s)
    return released


def test_a_burst_ended_by_enter_is_a_scan_and_presses_no_key() -> None:
    gate = ScanGate()
    assert typed(gate, "sbx-1", 10.0, 0.004) == []
    assert gate.enter(10.02) == "sbx-1"
    assert gate.release(11.0) == []


def test_a_key_alone_is_pressed_once_the_gap_is_over() -> None:
    gate = ScanGate()
    assert gate.key("s", "s", 10.0, 10.0) == []
    assert gate.release(10.0 + GAP_S / 2) == []
    assert gate.release(10.0 + GAP_S) == ["s"]
    assert gate.release(10.2) == []


def test_keys_of_a_person_are_all_pressed_in_order() -> None:
    gate = ScanGate()
    assert typed(gate, "sb", 10.0, 0.2) == ["s"]
    assert gate.release(11.0) == ["b"]


def test_a_burst_without_enter_presses_nothing() -> None:
    gate = ScanGate()
    typed(gate, "label", 10.0, 0.003)
    assert gate.release(10.5) == []
    assert not gate.waiting


def test_enter_alone_is_no_scan() -> None:
    gate = ScanGate()
    assert gate.enter(5.0) == ""
    gate.key("s", "s", 10.0, 10.0)
    assert gate.enter(10.01) == ""


def test_what_a_busy_screen_comes_to_late_is_a_scan_all_the_same() -> None:
    gate = ScanGate()
    for i, sign in enumerate("sbx-1"):
        # typed within 4 ms, heard 300 ms apart
        assert gate.key(sign, sign, 10.0 + i * 0.004, 50.0 + i * 0.3) == []
    assert gate.release(52.0) == []
    assert not gate.waiting
    assert gate.enter(10.02) == "sbx-1"
    assert gate.enter(10.021) == ""


def test_an_enter_long_after_a_burst_is_no_end_of_it_and_neither_is_the_next_key() -> None:
    gate = ScanGate()
    typed(gate, "label", 10.0, 0.003)
    gate.release(10.5)
    assert gate.enter(11.0) == ""
    assert gate.flush() == ""
    typed(gate, "label", 20.0, 0.003)
    gate.release(20.5)
    assert gate.key("s", "s", 21.0, 21.0) == []
    assert gate.release(21.1) == ["s"]
