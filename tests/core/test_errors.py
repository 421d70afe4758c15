"""An error says what is wrong and, where there is something to do, what."""

from __future__ import annotations

from gaugepost.core.errors import LinkLost, SettingsError, Unreachable


def test_the_remedy_follows_the_finding() -> None:
    """One line says both; without a remedy nothing hangs on the finding."""
    assert str(SettingsError("no gauge is named bore-2", hint='write "bore-1"')) == (
        'no gauge is named bore-2; write "bore-1"'
    )
    assert str(LinkLost("it was unplugged")) == "it was unplugged"
    away = Unreachable("the broker does not answer", hint="it is tried again", retry_after_s=30)
    assert (str(away), away.retry_after_s) == ("the broker does not answer; it is tried again", 30)
    assert Unreachable("the broker does not answer").retry_after_s is None
