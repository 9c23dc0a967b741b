"""A shot in step with a screen, as a state machine: whatever happens, the screen moves on only after a good photo."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from surfscan.screen.shot import Shot

EVENTS = st.one_of(
    st.tuples(st.just("took"), st.sampled_from(["", "hold still"])),
    st.tuples(st.just("retake"), st.integers(-1, 9)),
    st.tuples(st.just("keep"), st.just(0)),
    st.tuples(st.just("restart"), st.just("another size")),
    st.tuples(st.just("reload"), st.just(0)),
)


@settings(max_examples=200, deadline=None)
@given(st.integers(2, 9), st.lists(EVENTS, max_size=40))
def test_the_screen_moves_on_only_after_a_good_photo(count: int, events: list[tuple[str, object]]) -> None:
    shot = Shot(count)
    for name, what in events:
        before = shot
        if name == "took":
            shot = shot.took(cure=str(what))
            if what and before.wanted is not None:
                assert (shot.wanted, shot.good, shot.said) == (before.wanted, before.good, what)
            elif before.wanted is not None:
                assert shot.good == before.good | {before.wanted}
                assert shot.wanted != before.wanted
                assert shot.said == ""
            else:  # a photo that nobody asked for changes nothing
                assert shot == before
        elif name == "retake":
            shot = shot.retake(int(str(what)))
            assert shot.good == before.good  # the old one stays until there is a better one
            assert shot.wanted == (what if what in before.good else before.wanted)
        elif name == "keep":
            shot = shot.keep()
            assert shot.good == before.good
        elif name == "restart":
            shot = shot.restart(str(what))
            assert (shot.wanted, shot.good) == (0, frozenset())
        else:
            assert Shot.of(shot.values()) == shot
        assert shot.good <= set(range(count))
        assert shot.done == (shot.wanted is None)
        if shot.again is None:  # in order, none left out
            assert shot.good == set(range(len(shot.good)))


def test_a_whole_shot() -> None:
    shot = Shot(3)
    asked = []
    while not shot.done:
        asked.append(shot.wanted)
        shot = shot.took(cure="wipe it").took()
    assert asked == [0, 1, 2]
