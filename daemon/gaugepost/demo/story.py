"""The story: a person sets two gauges on their rings, checks them and measures a lot, with the mishaps of any day."""

from __future__ import annotations

from gaugepost.demo.players import Body, BoreGauge
from gaugepost.demo.shop import (
    AIR_C,
    GUIDE_STEP_IN,
    LOT,
    LOT_OF_SIX,
    MM_PER_INCH,
    OPERATOR,
    SERIALS,
    SPOOL_STEP_MM,
    Piece,
    Shop,
    more_pieces,
)
from gaugepost.demo.stage import Published, Stage

GARBLED = b"+038.0\x1b[2J7 mm\r\n"
"""What a loose plug may do to a frame; a careless terminal would clear its screen over it."""
NOT_SETTLED = b"E4\r\n"
SAID = {
    "2": ": undersize, though the display shows a size inside",
    "4": ": good, though the display says no",
    "5": ": its guide bore is in limits, but too near to one to be proved",
}
TILT_MM = 0.0012 * MM_PER_INCH
CHECK_EVERY = 10
MOVED_K = 0.05
THERMAL_MM = 0.0001
"""What `MOVED_K` and rounded temperatures may come to on 38 mm."""


class Story:
    """What happens at the bench, in order."""

    def __init__(self, shop: Shop, stage: Stage) -> None:
        self._shop, self._stage = shop, stage
        self._gauges: dict[str, tuple[BoreGauge, str, Body]] = {
            "bore-38": (shop.bore_38, "ring-38", shop.ring_38),
            "bore-750": (shop.bore_750, "ring-750", shop.ring_750),
        }
        self._part_c = 0.0
        self.measured: list[tuple[Piece, str, Published]] = []
        """Piece, characteristic, and the reading that was published for it."""

    def opening(self) -> None:
        """Plug in, say who measures what, and set both gauges on their rings."""
        stage = self._stage
        stage.say("The instruments are plugged in; the bench thermometer says what is warm.")
        waiting = {"port-a", "port-b", "port-c"}
        while waiting:
            waiting.discard(str(stage.await_record("link", code="connected")["link"]))
        self._shop.thermometer.show("A", AIR_C)
        stage.await_record("temperature", thermometer="air")
        self._warm(LOT_OF_SIX[0])
        stage.command("PUT", "tags", {"operator": OPERATOR, "lot": LOT})
        stage.await_record("tags", lot=LOT)
        stage.pause(2)
        stage.say("A trial squeeze before mastering is kept, but gets no verdict.")
        self._shop.bore_38.squeeze(LOT_OF_SIX[0].spool_bore)
        self._expect(stage.await_record("reading", gauge="bore-38"), verdict="not-judged")
        stage.pause(2)
        stage.say("Mastering: the three-point gauge on its 38 mm ring, the number read off the ring.")
        self._master("bore-38")
        stage.say("Mastering: the two-point gauge on its inch ring; tilting it proves which way it counts.")
        self._shop.bore_750.set_to_zero(self._shop.ring_750, off_by_mm=0.00004 * MM_PER_INCH)
        self._master("bore-750", moved_mm=TILT_MM)

    def measure_lot(self) -> None:
        """Measure the six pieces; a doubled send, a garbled frame and a gauge's error come in between."""
        for piece in LOT_OF_SIX:
            self._take(piece, SAID.get(piece.name, ""))
            self._mishap(piece)
            self._measure(piece, "spool-bore", "bore-38", piece.spool_bore, twice=piece.name == "1")
            self._measure(piece, "guide-bore", "bore-750", piece.guide_bore)

    def closing(self) -> None:
        """Check both gauges, so that what was measured in between counts."""
        self._stage.say("The lot closes with a check of both gauges on their rings.")
        for gauge in self._gauges:
            self._check(gauge)

    def measure_on(self) -> None:
        """Measure further pieces without end, slowly."""
        self._stage.say("The lot goes on, slowly. Ctrl-C ends it with a summary.")
        for count, piece in enumerate(more_pieces(), start=1):
            self._stage.pause(6)
            self._take(piece)
            self._measure(piece, "spool-bore", "bore-38", piece.spool_bore)
            self._measure(piece, "guide-bore", "bore-750", piece.guide_bore)
            if count % CHECK_EVERY == 0:
                self.closing()

    def _take(self, piece: Piece, said: str = "") -> None:
        self._stage.pause(2)
        self._stage.say(f"Piece {piece.name}{said}.")
        self._warm(piece)
        self._stage.command("PUT", "tags", {"piece": piece.name})
        self._stage.await_record("tags", piece=piece.name)

    def _warm(self, piece: Piece) -> None:
        self._shop.thermometer.show("A", AIR_C)
        self._shop.thermometer.show("P", piece.celsius)
        # The daemon records a temperature when it moved by 0.02 K; less is too little to wait for.
        if abs(piece.celsius - self._part_c) > MOVED_K:
            self._stage.await_record("temperature", thermometer="part", temperature_c=f"{piece.celsius:.2f}")
            self._part_c = piece.celsius

    def _master(self, gauge: str, moved_mm: float = 0.0) -> None:
        player, ring, body = self._gauges[gauge]
        said: dict[str, object] = {"masters": [ring], "serials": [SERIALS[ring]]}
        if moved_mm:
            said["movement"] = "larger"
        self._stage.command("POST", f"gauges/{gauge}/mastering", said)
        for count in (1, 2, 3):
            self._stage.pause(1.5)
            player.squeeze(body)
            self._stage.await_record("master-reading", gauge=gauge, count=count)
        if moved_mm:
            self._stage.pause(1.5)
            player.squeeze(body, moved_mm)
        self._expect(self._stage.await_record("mastering", gauge=gauge), code="accepted")
        self._check(gauge)

    def _check(self, gauge: str) -> None:
        player, ring, body = self._gauges[gauge]
        self._stage.command("POST", f"gauges/{gauge}/check", {"master": ring, "serial": SERIALS[ring]})
        self._stage.pause(1.5)
        player.squeeze(body)
        self._expect(self._stage.await_record("check", gauge=gauge), code="passed")

    def _mishap(self, piece: Piece) -> None:
        stage, port = self._stage, self._shop.bore_38.port
        if piece.name == "3":
            port.send(GARBLED)
            self._expect(stage.await_record("bad-frame"), gauge="bore-38")
            stage.pause(1)
        if piece.name == "5":
            port.send(NOT_SETTLED)
            self._expect(stage.await_record("condition"), gauge="bore-38", code="E4")
            stage.pause(1)

    def _measure(
        self, piece: Piece, characteristic: str, gauge: str, bore: Body, twice: bool = False
    ) -> None:
        self._stage.pause(1.5)
        player = self._gauges[gauge][0]
        if twice:
            player.squeeze_twice(bore)
        else:
            player.squeeze(bore)
        reading = self._stage.await_record("reading", gauge=gauge)
        if twice:
            self._stage.await_record("suppressed", gauge=gauge)
        self._expect(
            reading, piece=piece.name, characteristic=characteristic, verdict=piece.verdicts[characteristic]
        )
        step_mm = SPOOL_STEP_MM if gauge == "bore-38" else GUIDE_STEP_IN * MM_PER_INCH
        off_mm = float(str(reading.get("value_mm", "nan"))) - bore.size_mm
        # Rounded on the ring and rounded in the bore, by half a step each.
        if not abs(off_mm) <= step_mm + THERMAL_MM:
            bore_of = f"{characteristic} of piece {piece.name}"
            self._stage.wrong.append(f"{reading['id']}: {bore_of} is off by {off_mm:.6f} mm")
        self.measured.append((piece, characteristic, reading))

    def _expect(self, record: Published, **fields: object) -> None:
        for name, wanted in fields.items():
            if record.get(name) != wanted:
                self._stage.wrong.append(
                    f"{record['id']}: {name} is {record.get(name)}, the story has {wanted}"
                )
