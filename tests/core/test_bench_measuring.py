"""From an indication to a reading: corrected, tied to what is in hand, judged, or not judged with the reasons."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.indication import BadFrame, Code, Condition, Indication, Temperature
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Body, Combine, DeclaredTemperature, Display
from tests.core.station import AIR, BORE, RING, Hand, set_up


@pytest.mark.parametrize(
    ("shown", "verdict", "decision"),
    [
        ("38.002", "undersize", "reject"),
        ("38.0028", "in-limits", "accept"),
        ("38.003", "in-limits", "accept"),
        ("38.0278", "in-limits", "accept"),
        ("38.029", "oversize", "reject"),
    ],
)
def test_verdict_is_of_the_corrected_value(shown: str, verdict: str, decision: str) -> None:
    """The gauge shows 2.8 µm too much; what is judged is the value without them, limits included."""
    hand = Hand(set_up())
    hand.master("38.0040", "38.0040")
    hand.check("38.0040")
    reading = hand.show(shown if len(shown) == 7 else shown + "0")
    assert (reading.verdict, reading.decision, reading.rule) == (verdict, decision, "simple acceptance")
    assert reading.master_correction_mm == D("-0.0028")
    assert reading.value_mm == D(shown) - D("0.0028")


def test_no_verdict_without_mastering() -> None:
    """An unmastered gauge's value is kept and not judged."""
    reading = Hand(set_up()).show("38.010")
    assert (reading.verdict, reading.value_mm, reading.indication) == ("not-judged", D("38.010"), "38.010")
    assert reading.reasons == ("not mastered",)
    assert reading.decision is None


def test_unmastered_comparator_has_no_value() -> None:
    """A gauge that shows a difference has no length before it is mastered, and none is made up."""
    reading = Hand(set_up({"display": Display.FROM_MASTER})).show("0.003")
    assert reading.value_mm is None
    assert reading.verdict == "not-judged"


def test_mastered_is_not_yet_checked() -> None:
    """After mastering, verdicts wait for the check."""
    hand = Hand(set_up())
    hand.master("38.004", "38.004")
    assert hand.show("38.010").reasons == ("mastered, not yet checked",)
    hand.check("38.004")
    assert hand.show("38.010").verdict == "in-limits"


def test_thermal_is_all_or_nothing() -> None:
    """One missing temperature or coefficient and none is applied, and the record lacks the correction."""
    full = Hand(set_up(thermometers={"air": AIR}))
    full.warm("24.00")
    full.ready()
    assert full.show("38.010").thermal_correction_mm == 0  # one steel, one temperature
    for without in (
        set_up({"coefficient": None}, thermometers={"air": AIR}),
        set_up(characteristic={"coefficient": None}, thermometers={"air": AIR}),
        set_up(masters={"ring-1": replace(RING, coefficient=None)}, thermometers={"air": AIR}),
        set_up(thermometers={"air": replace(AIR, stands_in_for=(Body.PART, Body.GAUGE))}),
        set_up(),
    ):
        hand = Hand(without)
        if without.thermometers:
            hand.warm("24.00")
        reading = hand.ready().show("38.010")
        assert reading.verdict == "in-limits"
        assert reading.thermal_correction_mm is None


def test_aluminium_part_at_a_warm_bench() -> None:
    """The bench at 24 °C makes a steel gauge read an aluminium bore too large; the correction says by how much."""
    hand = Hand(set_up(characteristic={"coefficient": D("23.6E-6")}, thermometers={"air": AIR}))
    hand.warm("24.00")
    reading = hand.ready().show("38.010")
    # Derived: 38.0072·(1 + 11.5e-6·4)/(1 + 23.6e-6·4) − 38.0072 = −1.8393 µm
    assert reading.thermal_correction_mm is not None
    assert reading.thermal_correction_mm.quantize(D("1E-7")) == D("-0.0018394")
    assert (reading.part_temperature_c, reading.part_temperature_source) == (D("24.00"), "assumed")


def test_temperature_sources() -> None:
    """A thermometer on the body comes before a declared temperature, and that before the air."""
    on_part = replace(AIR, name="probe", link="usb-8", body=Body.PART, stands_in_for=())
    declared = (DeclaredTemperature(body=Body.GAUGE, celsius=D("21.0")),)
    hand = Hand(set_up(thermometers={"air": AIR, "probe": on_part}, declared=declared))
    hand.do(ev.LinkUp("usb-8", "a port"))
    hand.warm("24.00")
    hand.warm("22.50", "probe")
    reading = hand.ready().show("38.010")
    assert (reading.part_temperature_c, reading.part_temperature_source) == (D("22.50"), "measured")
    assert (reading.gauge_temperature_c, reading.gauge_temperature_source) == (D("21.0"), "declared")
    assert (reading.master_temperature_c, reading.master_temperature_source) == (D("24.00"), "assumed")


def test_stale_temperature_is_none() -> None:
    """A temperature older than its stated age is unknown, and so is the correction."""
    hand = Hand(set_up(thermometers={"air": AIR}))
    hand.warm("24.00")
    hand.ready()
    hand.wait(AIR.max_age_ms)
    reading = hand.show("38.010")
    assert reading.part_temperature_c is None
    assert reading.thermal_correction_mm is None


def test_temperature_is_recorded_when_it_moves() -> None:
    """A thermometer that repeats itself fills no journal; one that is silent too long is recorded again."""
    hand = Hand(set_up(thermometers={"air": AIR}))
    assert [len(hand.warm(c).records) for c in ("24.00", "24.00", "24.01", "24.02", "24.01")] == [
        1,
        0,
        0,
        1,
        0,
    ]
    hand.wait(AIR.max_age_ms // 2)
    assert len(hand.warm("24.02").records) == 1


def test_implausible_temperature_is_a_bad_frame() -> None:
    """A thermometer that sends its error value, 85 °C, is not believed."""
    hand = Hand(set_up(thermometers={"air": AIR}))
    assert hand.warm("85.0").records[0].kind is Kind.BAD_FRAME


def test_doubled_send_is_one_reading() -> None:
    """The same frame twice within the debounce time is one reading and a record of the double; later it is another."""
    hand = Hand(set_up()).ready()
    hand.show("38.010")
    sent = ev.Arrived("usb-1", Indication("38.010", D("38.010"), Unit.MM, b"38.010 mm"))
    hand.wait(100)
    assert [r.kind for r in hand.at_once(sent).records] == [Kind.SUPPRESSED]
    hand.wait(300)
    assert [r.kind for r in hand.at_once(sent).records] == [Kind.READING]


@pytest.mark.parametrize(
    ("changed", "digits", "unit", "reason"),
    [
        ({"unit": Unit.MM}, "1.49650", Unit.INCH, "sent in in, but the station file says mm"),
        ({}, "1.49650", Unit.INCH, "the unit changed from mm to in"),
        ({}, "38.01", Unit.MM, "the resolution changed from 0.001 to 0.01 mm"),
        ({}, "38.010", None, 'the frame names no unit, and the station file says "as sent"'),
        ({"size_range_mm": (D(37), D("38.005"))}, "38.010", Unit.MM, "the size is outside the gauge's range"),
        (
            {"indication_range_mm": (D(37), D("38.008"))},
            "38.010",
            Unit.MM,
            "the indication is outside the gauge's range",
        ),
    ],
)
def test_doubtful_indications_are_kept_and_not_judged(
    changed: dict[str, object], digits: str, unit: Unit | None, reason: str
) -> None:
    """A wrong unit, a changed display or a size out of range: digits kept, no verdict, and why."""
    hand = Hand(set_up(changed)).ready()
    reading = hand.show(digits, unit=unit)
    assert reading.verdict == "not-judged"
    assert any(reason in each for each in reading.reasons or ()), reading.reasons
    assert reading.indication == digits


def test_unit_declared_where_the_frame_has_none() -> None:
    """A frame without a unit takes the one that the station file says."""
    hand = Hand(set_up({"unit": Unit.MM}))
    hand.master("38.004", "38.004")
    assert hand.show("38.010", unit=None).value_mm == D("38.0072")


def test_attempts_are_counted_and_kept() -> None:
    """The same place of the same piece again is another attempt; another piece or lot starts at one."""
    hand = Hand(set_up()).ready()
    assert hand.show("38.010").attempt is None
    attempts = []
    for tags in ({"lot": "L1", "piece": "1"}, {}, {"piece": "2"}, {"piece": "1"}):
        hand.do(ev.SetTags(tags))
        attempts.append(hand.show("38.010").attempt)
    assert attempts == [1, 2, 1, 3]
    assert hand.records[-1].piece == "1"
    hand.do(ev.SetTags({"lot": "L2"}))
    assert (hand.state.lot, hand.state.piece) == ("L2", None)


def test_repeats_are_averaged() -> None:
    """Three readings whose mean is judged: members have no verdict of their own, the result names them."""
    hand = Hand(set_up(characteristic={"readings": 3, "combine": Combine.MEAN})).ready()
    hand.do(ev.SetTags({"piece": "1"}))
    members = [hand.show(digits) for digits in ("38.026", "38.029", "38.028")]
    assert [m.verdict for m in members] == [None, None, None]
    result = hand.records[-1]
    assert (result.kind, result.verdict, result.attempt) == (Kind.RESULT, "in-limits", 1)
    assert result.value_mm == D("38.024866667")
    assert len(result.members or ()) == 3
    hand.show("38.029")
    assert hand.records[-1].attempt == 2


def test_member_in_doubt_does_not_count() -> None:
    """A reading that could not be judged does not enter the mean."""
    hand = Hand(set_up(characteristic={"readings": 2, "combine": Combine.MEAN})).ready()
    hand.show("38.010")
    hand.show("38.01")
    hand.check("38.004")
    hand.show("38.012")
    result = hand.last(Kind.RESULT)
    assert result.value_mm == D("38.0082")


@pytest.mark.parametrize(
    ("combine", "modifier", "value"),
    [(Combine.LARGEST, "SX", "38.0132"), (Combine.SMALLEST, "SN", "38.0072")],
)
def test_places_combined_by_the_drawings_modifier(combine: Combine, modifier: str, value: str) -> None:
    """Top, middle and bottom are walked through in order and judged as their largest or smallest (ISO 14405-1)."""
    places = {"positions": ("top", "middle", "bottom"), "combine": combine, "size_modifier": modifier}
    hand = Hand(set_up(characteristic=places)).ready()
    hand.do(ev.SetTags({"piece": "1"}))
    taken = [hand.show(digits).position for digits in ("38.010", "38.016", "38.012")]
    assert taken == ["top", "middle", "bottom"]
    assert hand.last(Kind.RESULT).value_mm == D(value)


def test_places_are_judged_each_by_default() -> None:
    """Without a modifier each place has its own verdict, and the next place comes by itself."""
    hand = Hand(set_up(characteristic={"positions": ("top", "bottom")})).ready()
    hand.do(ev.SetTags({"piece": "1"}))
    readings = [hand.show(digits) for digits in ("38.010", "38.031", "38.012")]
    assert [(r.position, r.attempt, r.verdict) for r in readings] == [
        ("top", 1, "in-limits"),
        ("bottom", 1, "oversize"),
        ("top", 2, "in-limits"),
    ]
    hand.do(ev.SetTags({"position": "sideways"}))
    assert "sideways is not a place of A" in (hand.show("38.010").reasons or ("",))[0]


def test_which_characteristic() -> None:
    """The only characteristic of a gauge is taken; of two, the selected one; none selected, none judged."""
    two = {"A": BORE, "B": replace(BORE, name="B", upper_mm=D("38.008"))}
    hand = Hand(set_up(characteristics=two)).ready()
    reading = hand.show("38.013")
    assert (reading.characteristic, reading.verdict) == (None, "not-judged")
    assert reading.reasons == ("no characteristic is selected for this gauge",)
    hand.do(ev.SetTags({"characteristic": "B"}))
    assert (hand.show("38.013").characteristic, hand.records[-1].verdict) == ("B", "oversize")
    assert not hand.do(ev.SetTags({"characteristic": "C"})).reply.accepted


def test_master_must_serve_the_characteristic() -> None:
    """A gauge mastered on a ring that the drawing's list does not name gets no verdict."""
    hand = Hand(set_up(characteristic={"masters": ("ring-2",)})).ready()
    assert hand.show("38.010").reasons == ("mastered on ring-1, which does not serve A",)


@pytest.mark.parametrize(
    "decoded",
    [
        BadFrame("no number", b"\x00?"),
        Code("P-1", b"P-1"),
        Temperature(D(20), b"20"),
        Indication("1", D(1), Unit.MM, b"1", "7"),
    ],
)
def test_what_is_no_reading_is_a_visible_bad_frame(decoded: object) -> None:
    """Frames that are none, or that came where nothing of the kind is set up, are recorded with their bytes."""
    hand = Hand(set_up())
    record = hand.do(ev.Arrived("usb-1", decoded)).records[0]  # type: ignore[arg-type]
    assert record.kind is Kind.BAD_FRAME
    assert record.raw == decoded.raw  # type: ignore[attr-defined]
    assert record.text


def test_gauges_own_error_is_a_condition() -> None:
    """A gauge's error code is recorded; where it ends the mastering, verdicts wait for a check."""
    hand = Hand(set_up()).ready()
    hand.do(ev.Arrived("usb-1", Condition("E4", "battery changed", b"E4", ends_mastering=True)))
    assert hand.show("38.010").reasons == ("battery changed",)
    hand.check("38.004")
    hand.do(ev.Arrived("usb-1", Condition("E1", "battery low", b"E1")))
    assert hand.show("38.010").verdict == "in-limits"


def test_wall_clock_moved() -> None:
    """A wall clock that jumps is recorded, and durations do not follow it."""
    hand = Hand(set_up()).ready()
    hand.wait(1000, wall_ms=10 * 3_600_000)
    records = hand.do(ev.Arrived("usb-1", Indication("38.010", D("38.010"), Unit.MM, b"."))).records
    assert [r.kind for r in records] == [Kind.CONDITION, Kind.READING]
    assert (records[0].code, records[0].text) == ("clock-jump", "the wall clock was moved by +35999.000 s")
    assert records[1].verdict == "in-limits"


@pytest.mark.parametrize("off_uin", [-900, -20, -10, 0, 10, 480, 970, 980, 990, 2000])
def test_inch_and_metric_twins_agree(off_uin: int) -> None:
    """One bore on one station, set up and shown in inches and in millimetres, gets one verdict and one value."""
    lower = D("1.5") + D("0.00001") * 10
    size = lower + D(off_uin).scaleb(-6)
    limits = {
        "lower_mm": lower * D("25.4"),
        "upper_mm": (lower + D("0.00098")) * D("25.4"),
        "nominal_mm": None,
    }
    ring = {"ring-1": replace(RING, size_mm=D("1.50004") * D("25.4"))}
    inch = Hand(set_up(characteristic={**limits, "unit": Unit.INCH, "step": D("0.0001")}, masters=ring))
    metric = Hand(set_up(characteristic={**limits, "unit": Unit.MM}, masters=ring))
    inch_reading, metric_reading = [
        measured(hand, [f"{(each * factor).quantize(step):f}" for each in (D("1.500060"), size)], unit)
        for hand, factor, step, unit in (
            (inch, D(1), D("0.000001"), Unit.INCH),
            (metric, D("25.4"), D("0.0000001"), Unit.MM),
        )
    ]
    assert inch_reading.verdict == metric_reading.verdict != "not-judged"
    assert inch_reading.value_mm == metric_reading.value_mm
    assert inch_reading.value is not None
    assert metric_reading.value is not None
    assert abs(inch_reading.value * D("25.4") - metric_reading.value) < D("1E-9")


def measured(hand: Hand, digits: list[str], unit: Unit) -> Record:
    """Master and check with the first digits, measure with the second."""
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=1))
    hand.show(digits[0], unit=unit)
    hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1"))
    hand.show(digits[0], unit=unit)
    return hand.show(digits[1], unit=unit)
