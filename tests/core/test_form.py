"""Form of a bore: what contacts see of lobes, what places say, and what is said where a gauge is blind."""

from decimal import Decimal as D

import pytest

from gaugepost.core.form import Place, amplification, form_of, least_shown, unseen
from gaugepost.core.setup import Contact

LOBES = (2, 3, 4, 5, 6, 7, 9)


@pytest.mark.parametrize(
    ("angle_deg", "seen"), [(180, (2, 0, 2, 0, 2, 0, 0)), (60, (0, 2, 0, 0, 2, 0, 2))], ids=["two", "three"]
)
def test_what_contacts_see(angle_deg: float, seen: tuple[int, ...]) -> None:
    """Two and three contacts see of each number of lobes what f(n, θ) says (J. JSPE 43-514 (1977) 1167, derived)."""
    assert [amplification(lobes, angle_deg) for lobes in LOBES] == pytest.approx(seen, abs=1e-9)


@pytest.mark.parametrize("angle_deg", [30, 60, 90, 108, 120, 180])
@pytest.mark.parametrize("lobes", LOBES)
def test_formula_holds_for_a_round_that_is_drawn(angle_deg: float, lobes: int) -> None:
    """Rolling a lobed profile over three contacts shows as much as the formula says, at any angle (derived)."""
    import numpy as np

    turned = np.linspace(0, 2 * np.pi, 7201)
    half = np.radians(angle_deg / 2)

    def radius(at: float) -> "np.ndarray":
        return np.cos(lobes * (turned + at))  # RONt = 2

    reach = np.pi / 2 + half
    shown = radius(0) + (radius(reach) + radius(-reach)) / (2 * np.sin(half))
    in_diameter = shown * 2 / (1 + 1 / np.sin(half))
    assert np.ptp(in_diameter) / 2 == pytest.approx(amplification(lobes, angle_deg), abs=2e-4)


def test_lobes_that_a_gauge_is_blind_to() -> None:
    """An oval is invisible to three contacts, three lobes to two, five and seven to both."""
    assert [n for n in LOBES if unseen(Contact.TWO_POINT, n)] == [3, 5, 7, 9]
    assert [n for n in LOBES if unseen(Contact.THREE_POINT, n)] == [2, 4, 5, 7]
    assert unseen(Contact.SINGLE, 2)


@pytest.mark.parametrize("lobes", LOBES)
def test_two_contacts_that_are_nearly_one_see_as_two(lobes: int) -> None:
    """Without an angle between the two that face the third they are one, opposite it: a two-point gauge (limit)."""
    assert amplification(lobes, 0.001) == pytest.approx(amplification(lobes, 180), abs=1e-3)


@pytest.mark.parametrize(("lobes", "angle_deg"), [(1, 60), (3, 0), (3, 181)])
def test_what_can_not_be_asked(lobes: int, angle_deg: float) -> None:
    """One lobe is an eccentric, not a form; contacts stand at angles that exist."""
    with pytest.raises(ValueError, match="lobes at"):
        amplification(lobes, angle_deg)


def bore(**sizes: str) -> list[Place]:
    """Places named depth_angle: d5_a90="38.010"."""
    made = []
    for name, size in sizes.items():
        depth, angle = name.split("_")
        made.append(Place(D(size), D(angle[1:]), D(depth[1:])))
    return made


def test_ovality_is_taken_at_one_depth() -> None:
    """A tapered round bore is not oval; an oval one shows its largest difference at one depth."""
    assert form_of(bore(d5_a0="38.000", d5_a90="38.000", d30_a0="38.010", d30_a90="38.010")).ovality_mm == 0
    oval = form_of(bore(d5_a0="38.000", d5_a90="38.004", d30_a0="38.010", d30_a90="38.003"))
    assert oval.ovality_mm == D("0.007")
    assert oval.taper_mm == D("0.0045")


@pytest.mark.parametrize(
    ("sizes", "taper", "barrel", "bell_mouth"),
    [
        (("38.000", "38.005", "38.010"), "0.010", "0", "0"),  # tapered
        (("38.000", "38.006", "38.000"), "0.000", "0.006", "0"),  # barrel
        (("38.006", "38.000", "38.000"), "-0.006", "-0.003", "0.006"),  # bell-mouth
        (("38.006", "38.000", "38.006"), "0.000", "-0.006", "0.012"),  # waist
        (("38.000", "38.000", "38.000"), "0", "0", "0"),
    ],
)
def test_form_along_the_depth(sizes: tuple[str, ...], taper: str, barrel: str, bell_mouth: str) -> None:
    """A taper is no barrel and no bell-mouth; each of these shows in its own number (derived)."""
    places = [Place(D(size), None, D(depth)) for size, depth in zip(sizes, (5, 15, 25), strict=True)]
    form = form_of(reversed(places))
    assert (form.taper_mm, form.barrel_mm, form.bell_mouth_mm) == (D(taper), D(barrel), D(bell_mouth))
    assert form.ovality_mm is None


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("inner", [(2, -5), (-5, 2), (-5, -4), (5, 1)])
def test_a_barrel_is_where_it_departs_most_either_way(inner: tuple[int, int], way: int) -> None:
    """Of two depths between the ends the one farther from the line counts, with its sign (derived)."""
    places = [
        Place(D(38) + D(way * away).scaleb(-3), None, D(depth))
        for away, depth in zip((0, *inner, 0), (5, 15, 25, 35), strict=True)
    ]
    assert form_of(places).barrel_mm == D(way * max(inner, key=abs)).scaleb(-3)


def test_too_few_places_say_nothing() -> None:
    """Where places were not declared, nothing is said of the form."""
    form = form_of([Place(D("38.000")), Place(D("38.010"))])
    assert (form.ovality_mm, form.taper_mm, form.barrel_mm, form.bell_mouth_mm) == (None,) * 4


@pytest.mark.parametrize(
    ("angles", "share"),
    [
        ((0,), 0),
        ((0, 90), 0),
        ((0, 45), 0),
        ((0, 60, 120), 0.75),
        ((0, 45, 90, 135), 0.5**0.5),
        ((0, 180, 60, 120), 0.75),
    ],
)
def test_an_oval_may_lie_between_the_directions(angles: tuple[int, ...], share: float) -> None:
    """Two directions can miss an oval altogether, three 60° apart show three quarters of it or more (derived)."""
    import numpy as np

    assert least_shown(2, angles) == pytest.approx(share, abs=1e-9)
    lying = np.radians(np.linspace(0, 180, 18001))[:, None]
    drawn = np.cos(2 * (np.radians(np.array(angles))[None, :] - lying))
    assert np.ptp(drawn, axis=1).min() / 2 == pytest.approx(share, abs=1e-4)
