import pytest

from capture.elements import Features, families

BASE = {
    "start_rail": "high",
    "end_rail": "high",
    "end_kind": "regrasp",
    "duration_s": 0.6,
    "hands_clear_m": 0.9,
}


@pytest.mark.parametrize(
    ("family", "given"),
    [
        # Over the rail, turning against the swing.
        ("counter_regrasp", {"turns": 0.40, "swing": -1.0, "travel_m": -1.4, "crosses": 1.0}),
        ("counter_regrasp", {"turns": -0.35, "swing": 1.0, "travel_m": 1.4, "crosses": 1.0}),
        # Beside the rail, turning with the swing.
        ("salto_regrasp", {"turns": 0.90, "swing": 1.0, "travel_m": 0.1, "crosses": -1.0}),
        ("salto_regrasp", {"turns": -0.70, "swing": -1.0, "travel_m": 0.2, "crosses": -1.0}),
        # A salto that travels over the rail is still a salto.
        ("salto_regrasp", {"turns": 0.85, "swing": 1.0, "travel_m": 1.0, "crosses": 0.8}),
        (
            "hop_regrasp",
            {"turns": 0.02, "swing": -1.0, "travel_m": 0.05, "crosses": -0.2, "duration_s": 0.2,
             "hands_clear_m": 0.15, "inverted": 0.97},
        ),
        ("high_to_low_salto", {"end_rail": "low", "turns": -0.58, "swing": -1.0, "travel_m": 0.3}),
        # As the studio's overshoots and saltos between the rails, whose turns overlap, do it.
        ("high_to_low_salto", {"end_rail": "low", "turns": -0.53, "swing": -1.0, "inverted_end": 0.12}),
        # Both turn alike and end alike upside down: the trunk against the line from the rail tells.
        (
            "high_to_low_salto",
            {"end_rail": "low", "turns": -0.46, "swing": -1.0, "inverted_end": 0.36, "trunk_over_rad": -0.4},
        ),
        (
            "high_to_low_overshoot",
            {"end_rail": "low", "turns": -0.47, "swing": -1.0, "inverted_end": 0.33, "trunk_over_rad": 0.3},
        ),
        ("high_to_low_overshoot", {"end_rail": "low", "turns": -0.15, "swing": -1.0, "travel_m": 0.9}),
        ("high_to_low_overshoot", {"end_rail": "low", "turns": -0.40, "swing": -1.0, "inverted_end": 0.8}),
        ("low_to_high", {"start_rail": "low", "turns": 0.2, "swing": -1.0, "travel_m": -1.6}),
        ("dismount", {"end_rail": "", "end_kind": "landing", "turns": -1.8, "swing": -1.0, "travel_m": 1.2}),
    ],
)  # fmt: skip
def test_family_follows_from_what_the_flight_does(family: str, given: dict) -> None:
    values = {**BASE, "crosses": 0.0, "travel_m": 0.5, "inverted": 0.1, **given}
    chances = families(Features(**values))
    assert sum(chances.values()) == pytest.approx(1.0)
    assert max(chances, key=chances.get) == family
    assert chances[family] > 0.9


def test_between_two_families_it_says_so() -> None:
    between = families(
        Features(
            **{**BASE, "end_rail": "low"},
            turns=-0.47,
            swing=-1.0,
            travel_m=0.6,
            crosses=0.0,
            inverted=0.3,
            inverted_end=0.3,
        )
    )
    assert between["high_to_low_salto"] == pytest.approx(0.5)
