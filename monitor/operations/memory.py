"""What an earlier look at a yard worked out, given again for as long as nothing changed that it rests on."""

from collections.abc import Callable, Hashable, Mapping
from typing import Any, TypeVar

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")


class Memory:
    """Results by name, each with what it rests on: made anew where that differs, so that keeping changes no result.

    Whoever looks at the same yard again and again holds one, and one caller uses it at a time. What it gives is shared
    with earlier callers: nobody changes it.
    """

    def __init__(self) -> None:
        self._kept: dict[str, tuple[object, Any]] = {}
        self._each: dict[str, dict[Any, tuple[object, Any]]] = {}

    def keep(self, name: str, rests_on: object, make: Callable[[], V]) -> V:
        """The result kept under this name if it rests on the same, else a new one."""
        if name not in self._kept or self._kept[name][0] != rests_on:
            self._kept[name] = (rests_on, make())
        result: V = self._kept[name][1]
        return result

    def keep_each(self, name: str, rests_on: Mapping[K, object], make: Callable[[list[K]], list[V]]) -> list[V]:
        """One result for each key, in their order; those that must be made anew are made together in one call.

        A key that is not asked for is forgotten.
        """
        before = self._each.get(name, {})
        stale = [key for key, on in rests_on.items() if key not in before or before[key][0] != on]
        made = dict(zip(stale, make(stale), strict=True)) if stale else {}
        kept = {key: (on, made[key]) if key in made else before[key] for key, on in rests_on.items()}
        self._each[name] = kept
        return [result for _, result in kept.values()]
