"""Answers of a weather service with a piece of them torn out or put in, for tests of what a parser says to them."""

from hypothesis import strategies as st


def spoilt(answer, *pieces):
    """The answer with up to 12 bytes anywhere replaced: by any few bytes, or by one of the ``pieces``."""
    places = st.tuples(st.integers(0, len(answer)), st.integers(0, 12), st.binary(max_size=6) | st.sampled_from(pieces))
    return places.map(lambda place: answer[: place[0]] + place[2] + answer[place[0] + place[1] :])
