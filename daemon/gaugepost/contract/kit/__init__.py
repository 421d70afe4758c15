"""The conformance kit: what every adapter must keep, ours or a stranger's, as checks that name what was broken.

It needs no test framework. A check returns when every promise holds and raises `NotHeld`, an `AssertionError`, when
one does not. In a test of your own decoder and link:

    from gaugepost.contract.kit import decoders, links

    def make() -> MyDecoder:
        return MyDecoder(MyDecoder.Settings(unit="mm"))

    def test_my_decoder() -> None:
        decoders.check_decoder(make, [decoders.Sample(b"+12.345\\r", (Indication(...),))])

    async def test_my_link() -> None:
        await links.check_link(my_bench)     # an async context manager: yields your link and the far side's hands

`Sample` is what a gauge sends and what must come of it; write several, with the gauge's error codes among them.
"""

from gaugepost.contract.kit.not_held import NotHeld as NotHeld
