"""Coverage-guided fuzzing of one reader with atheris; not run by pytest, for atheris is no dependency of the project.

    pip install atheris
    python tests/fuzz/harnesses/coverage_guided.py log_json -max_total_time=300

The first argument is a name of `fuzz_targets.TARGETS`, several with commas between them, or ``all``: the first byte of
an input then says which. What follows is for libFuzzer: ``-max_total_time``, ``-seed``. The corpus lies in ``corpus/``,
or where STORMWALK_CORPUS says. A fifth of the inputs are changed byte by byte, the others as `fuzz_mutations.mutated`
does it. The first input that breaks a promise ends the run with the traceback, and lies in a file ``crash-...``.
"""

import os
import sys
from pathlib import Path
from random import Random

import atheris

TESTS = Path(__file__).parents[2]
sys.path[:0] = [str(TESTS), str(TESTS.parent)]

with atheris.instrument_imports(include=["monitor"]):
    from fuzz_mutations import mutated
    from fuzz_targets import BY_NAME, TARGETS, check


def main() -> None:
    """Fuzz what the command line names."""
    name, *options = sys.argv[1:]
    chosen = TARGETS if name == "all" else tuple(BY_NAME[one] for one in name.split(","))
    corpus = Path(os.environ.get("STORMWALK_CORPUS", "corpus")) / name
    corpus.mkdir(parents=True, exist_ok=True)
    for number, target in enumerate(chosen):
        for position, example in enumerate(target.examples):
            (corpus / f"{target.name}-{position}").write_bytes(bytes([number]) + example)

    def test_one_input(data: bytes) -> None:
        if data:
            check(chosen[data[0] % len(chosen)], data[1:])

    def change(data: bytes, largest: int, seed: int) -> bytes:
        draw = Random(seed)
        if not data or draw.random() < 0.2:
            return bytes(atheris.Mutate(data, largest))
        return (data[:1] + mutated(data[1:], draw, 2))[:largest]

    atheris.Setup([sys.argv[0], *options, "-max_len=20000", str(corpus)], test_one_input, custom_mutator=change)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
