"""Whatever happens at the bench, the state that the journal leads to is the state that was lived."""

from dataclasses import replace
from datetime import UTC
from decimal import Decimal as D
from typing import Any

from hypothesis import given, settings, strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from gaugepost.core.bench import State, apply, events as ev
from gaugepost.core.indication import BadFrame, Code, Condition, Indication, Moment, Temperature
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Kind
from gaugepost.core.setup import Combine, LotCheck, ScannerEntry, from_document, to_document
from tests.core.station import AIR, BORE, RING, Hand, set_up

GAUGE = {
    "valid_count": 5,
    "check_every_pieces": 3,
    "check_every_ms": 3_600_000,
    "check_at_min": (0, 720),
    "contact_sets": ("A", "B"),
    "soak_k": D("0.2"),
    "soak_window_ms": 600_000,
    "spread_limit_mm": D("0.005"),
    "jump_limit_mm": D("0.002"),
    "reach_mm": D("0.001"),
    "compare_masters": True,
}
SCANNER = ScannerEntry(
    name="hand", link="usb-5", codes=("SN {serial_number}", "C {contact_set}", "{lot}/{piece}")
)
AROUND: dict[str, Any] = {
    "thermometers": {"air": AIR},
    "scanners": {"hand": SCANNER},
    "masters": {"ring-1": RING, "ring-2": replace(RING, name="ring-2", size_mm=D("38.0102"), serial="R-2")},
    "lot_checks_asked": (LotCheck.OPENING, LotCheck.CLOSING),
}
NAMES = st.sampled_from(["bore-1", "ring-1", "A", "L1", "L2", "1", "2", "top", "nothing"])
UNITS = st.sampled_from([Unit.MM, Unit.INCH, None])
DIGITS = st.one_of(
    st.sampled_from(["38.004", "38.004", "38.010", "38.030", "37.990", "38.00"]),
    st.decimals("-50", "50", places=4).map(str),
)


class Bench(RuleBasedStateMachine):
    """Frames, commands, losses and clocks in any order."""

    def __init__(self) -> None:
        super().__init__()
        bore = {"readings": 2, "combine": Combine.MEAN}
        self.hand = Hand(set_up(GAUGE, bore, **AROUND))

    @rule(digits=DIGITS, unit=UNITS, ms=st.integers(0, 2000))
    def show(self, digits: str, unit: Unit | None, ms: int) -> None:
        self.hand.wait(ms)
        sent = Indication(digits, D(digits), unit, digits.encode())
        records = self.hand.at_once(ev.Arrived("usb-1", sent)).records
        assert records, "a frame that leads to nothing is lost"

    @rule()
    def go_well(self) -> None:
        if self.hand.state.gauges["bore-1"].procedure is None and "usb-1" in self.hand.state.links:
            self.hand.do(ev.Report("bore-1", "contacts", contact_set="A"))
            self.hand.ready()

    @rule(celsius=st.decimals("-20", "90", places=1))
    def warm(self, celsius: D) -> None:
        self.hand.do(ev.Arrived("usb-9", Temperature(celsius, b"t")))

    @rule(
        masters=st.lists(NAMES, max_size=2),
        serials=st.lists(st.sampled_from(["R-1", "?"]), max_size=2),
        n=st.integers(-1, 3),
    )
    def begin_mastering(self, masters: list[str], serials: list[str], n: int) -> None:
        self.hand.do(ev.BeginMastering("bore-1", tuple(masters), tuple(serials), readings=n))

    @rule(master=NAMES)
    def begin_check(self, master: str) -> None:
        self.hand.do(ev.BeginCheck("bore-1", master, "R-1"))

    @rule()
    def abandon(self) -> None:
        self.hand.do(ev.Abandon("bore-1"))

    @rule(
        changes=st.dictionaries(
            st.sampled_from(["operator", "lot", "piece", "position", "characteristic"]), st.none() | NAMES
        )
    )
    def tag(self, changes: dict[str, str | None]) -> None:
        self.hand.do(ev.SetTags(changes))

    @rule(
        what=st.sampled_from(["knock", "contacts", "rain"]),
        contact_set=st.sampled_from([None, "A", "B", "C"]),
    )
    def report(self, what: str, contact_set: str | None) -> None:
        self.hand.do(ev.Report("bore-1", what, contact_set=contact_set))

    @rule(code=st.sampled_from(["SN R-1", "SN R-2", "SN R-9", "C B", "C x", "L1/7", "?"]))
    def scan(self, code: str) -> None:
        self.hand.do(ev.Arrived("usb-5", Code(code, code.encode())))

    @rule(ms=st.integers(0, 10_000_000))
    def look_ahead(self, ms: int) -> None:
        self.hand.wait(ms)
        told = [record.code for _ in range(2) for record in self.hand.do(ev.LookAhead(UTC)).records]
        assert len(told) == len(set(told)), "what was told is told again"

    @rule(at=st.integers(0, 5), reason=st.sampled_from(["dirt", ""]), results=st.booleans())
    def void(self, at: int, reason: str, results: bool) -> None:
        sequence = max(1, self.hand.state.sequence - at)
        found = (self.hand.state.sequence,) if results else ()
        self.hand.do(ev.Void(sequence, self.hand.records[sequence - 1], reason, found, operator="M1"))

    @rule(at=st.integers(0, 5), piece=NAMES)
    def amend(self, at: int, piece: str) -> None:
        sequence = max(1, self.hand.state.sequence - at)
        target = self.hand.records[sequence - 1]
        self.hand.do(ev.Amend(sequence, target, {"piece": piece}, "called out wrong", operator="M1"))

    @rule(reason=st.sampled_from(["a contact is chipped", ""]))
    def doubt(self, reason: str) -> None:
        self.hand.do(ev.Suspect(reason, "bore-1", operator="M1"))

    @rule(
        at=st.integers(0, 5), check=st.sampled_from([None, 1]), wanted=st.sampled_from(["", "a good check"])
    )
    def lift(self, at: int, check: int | None, wanted: str) -> None:
        sequence = max(1, self.hand.state.sequence - at)
        target = self.hand.records[sequence - 1]
        told = self.hand.do(ev.Lift(sequence, target, "wiped, checked again", check, wanted, "M1"))
        assert not told.reply.accepted or target.kind is Kind.SUSPECT

    @rule(at=st.integers(0, 5), kind=st.sampled_from([Kind.READING, Kind.RESULT]))
    def judge_again(self, at: int, kind: Kind) -> None:
        sequence = max(1, self.hand.state.sequence - at)
        target = self.hand.records[sequence - 1]
        if target.kind in (Kind.READING, Kind.REJUDGED) and target.value_mm is not None:
            made = replace(target, value_mm=target.value_mm + D("0.001"))
            again = ev.Again(sequence, kind, made, ("masters.ring-1.size = 38.0022 mm",))
            self.hand.do(ev.Rejudge((again,), "calibrated anew", operator="M1"))

    @rule(why=st.sampled_from(["rework", "recheck", "whim"]))
    def another(self, why: str) -> None:
        self.hand.do(ev.Another("bore-1", why, operator="M1"))

    @rule()
    def finish(self) -> None:
        self.hand.do(ev.Finish("bore-1"))

    @rule(up=st.booleans())
    def link(self, up: bool) -> None:
        self.hand.do(ev.LinkUp("usb-1", "a port") if up else ev.LinkDown("usb-1", "unplugged"))

    @rule(ends=st.booleans())
    def say(self, ends: bool) -> None:
        self.hand.do(ev.Arrived("usb-1", Condition("E1", "an error", b"E1", ends_mastering=ends)))
        self.hand.do(ev.Arrived("usb-1", BadFrame("no number", b"?")))

    @rule(band=st.sampled_from([None, D(1)]), bore=st.sampled_from([{}, {"upper_mm": D("38.02")}]))
    def edit(self, band: D | None, bore: dict[str, D]) -> None:
        self.hand.load(set_up(GAUGE | {"valid_band_k": band}, bore, **AROUND))

    @rule(boot=st.sampled_from(["boot-1", "boot-2"]), wall_ms=st.integers(-10_000, 10_000_000))
    def restart(self, boot: str, wall_ms: int) -> None:
        clock_ms = self.hand.now.clock_ms if boot == self.hand.now.boot else 1000
        self.hand.now = Moment(self.hand.now.utc_ms + wall_ms, clock_ms, boot)
        self.hand.do(ev.Started("test"))

    @invariant()
    def replayed_is_lived(self) -> None:
        state = State()
        for record in self.hand.records:
            state = apply(state, record)
        assert state == self.hand.state

    @invariant()
    def verdicts_have_a_mastering_in_force(self) -> None:
        for record in self.hand.records:
            if record.kind is Kind.READING and record.verdict not in (None, "not-judged"):
                assert record.mastering is not None
                assert record.reasons is None

    @invariant()
    def values_add_up(self) -> None:
        for record in self.hand.records:
            if record.kind is Kind.READING and record.master_correction_mm is not None:
                assert record.indication is not None
                x = D(record.indication) * (D("25.4") if record.indication_unit == "in" else 1)
                assert record.value_mm == x + record.master_correction_mm + (
                    record.thermal_correction_mm or 0
                )


TestBench = Bench.TestCase
TestBench.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)


@given(band=st.none() | st.decimals("0.1", "5", places=2), upper=st.decimals("38.001", "39", places=6))
def test_set_up_document_is_faithful(band: D | None, upper: D) -> None:
    """A set-up read back from its document is the same set-up, and gives the same document."""
    made = set_up(
        {"valid_band_k": band, "size_range_mm": (D(35), D(45))},
        {"upper_mm": upper},
        thermometers={"air": AIR},
    )
    document = to_document(made)
    assert from_document(document) == made
    assert to_document(from_document(document)) == document
    assert (made.characteristics["A"].lower_mm, made.masters["ring-1"]) == (BORE.lower_mm, RING)
