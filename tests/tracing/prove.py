"""The full scoring of tracing, printed as the page that is kept in docs/proofs: ``make prove-tracing``.

Seeds start at 1,000,000; those used while developing, and in the short form of the tests, lie below 100,000.
"""

from __future__ import annotations

import argparse
import ast
import datetime
import hashlib
import os
import platform
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import scipy

from tests.tracing.score import Score, Scored, score_one
from tests.tracing.trees import Setting

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "proofs" / "tracing.md"
HELD_APART = 1_000_000

SCENARIOS: dict[str, Setting] = {
    "one fault": Setting(),
    "two faults": Setting(faults=2),
    "no fault": Setting(faults=0),
    "one fault, bursts": Setting(bursts=True),
    "one fault, clocks of three watchers up to 0.5 s apart": Setting(offset_s=0.5),
    "two faults, clocks of three watchers up to 0.5 s apart": Setting(faults=2, offset_s=0.5),
    "one fault, a tenth of the channels dead and known to be": Setting(dead=0.1),
    "one fault, a tenth of the channels dead in secret": Setting(dead=0.1, told=False),
}

SPOKEN_OF = (
    "wiring",
    "prior",
    "detection",
    "coincide",
    "gaps",
    "offsets",
    "evidence",
    "fit",
    "search",
    "gibbs",
    "posterior",
    "locate",
)
"""The modules of the tracing that the table speaks of."""


def sources_hash() -> str:
    """Return what tells whether the table is older than the code it speaks of."""
    files = [ROOT / "daemon" / "tracing" / f"{name}.py" for name in SPOKEN_OF]
    files += [ROOT / "tests" / "tracing" / f"{name}.py" for name in ("trees", "score")]
    whole = hashlib.sha256()
    for file in files:
        whole.update(_meaning(file.read_text(encoding="utf-8")).encode())
    return whole.hexdigest()[:16]


def _meaning(source: str) -> str:
    """Return the code without comments, docstrings and layout: words may be mended without a new scoring."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):
            node.body = [part for part in body if not _is_text(part)]  # type: ignore[attr-defined]
    return ast.dump(tree)


def _is_text(node: ast.stmt) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def run(trees: int, first_seed: int, jobs: int) -> dict[str, Score]:
    """Score all scenarios, each with seeds of its own, in ``jobs`` processes."""
    out = {}
    with ProcessPoolExecutor(jobs) as pool:
        for i, (name, setting) in enumerate(SCENARIOS.items()):
            seeds = range(first_seed + 10_000 * i, first_seed + 10_000 * i + trees)
            found = pool.map(partial(score_one, setting=setting), seeds, chunksize=5)
            out[name] = Score(setting, list(found))
            print(_line(name, out[name]), file=sys.stderr, flush=True)
    return out


def page(scores: dict[str, Score], first_seed: int) -> str:
    """Return the page."""
    trees = len(next(iter(scores.values())).trees)
    head = [
        "# Tracing, scored against the truth",
        "",
        "Printed by `make prove-tracing`. A test fails when the code it speaks of has changed since.",
        "",
        f"- date {datetime.datetime.now(datetime.UTC):%Y-%m-%d}, sources {sources_hash()}",
        f"- {trees} random trees (8 to 60 stretches) a line, seeds from {first_seed} (line i from there + 10,000 i)",
        f"- Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}",
        "",
        "Truths are drawn from the stated prior (`daemon/tracing/prior.py`); every fault has at least five bursts",
        "that two channels saw. Scored per set of stretches that the channels can tell apart. *Exact* is the bound:",
        "inference that knows every true rate and the true durations and asks only which set it is.",
        "",
        "*Cover*: how often the 90 % intervals hold the true rate, over all sets and over faulty ones alone. Of",
        "faulty ones not even who knew every burst that happened always gets 90 %, because only trees with enough",
        "bursts are drawn: last column.",
        "*Named*: a set has more than 50 %.",
        "",
        "| scenario | right | exact | named | cover, all sets | cover, faulty sets | the same, all bursts known |",
        "|---|---|---|---|---|---|---|",
    ]
    lines = [_line(name, result) for name, result in scores.items()]
    return "\n".join([*head, *lines, "", *_wanted(), "", *_errors(scores), *_clocks(scores)]) + "\n"


def _line(name: str, result: Score) -> str:
    faults = result.setting.faults
    right = f"{result.share(lambda tree: tree.right):.1%}" if faults else "-"
    exact = f"{result.share(lambda tree: tree.exact):.1%}" if faults else "-"
    named = f"{result.share(lambda tree: tree.named > 0.5):.1%}"
    faulty = f"{result.coverage(faulty=True):.1%}" if faults else "-"
    known = f"{result.counted():.1%}" if faults else "-"
    return f"| {name} | {right} | {exact} | {named} | {result.coverage():.1%} | {faulty} | {known} |"


def _wanted() -> Sequence[str]:
    return (
        "Wanted: one fault, right set first in at least 95 %; two faults, both in the first three in at least 85 %;",
        "no fault, none named in at least 95 % (named at most 5 %); intervals that cover 87.5 to 92.5 %.",
        "",
        "## Errors, tree by tree",
    )


def _errors(scores: dict[str, Score]) -> list[str]:
    out = []
    for name, result in scores.items():
        wrong = [tree for tree in result.trees if result.setting.faults and not tree.right]
        if wrong:
            out += [
                "",
                f"**{name}** (seed: true sets, first three found; * where the exact bound is wrong too)",
                "",
            ]
            out.append("; ".join(_error(tree) for tree in wrong) + ".")
    return out


def _error(tree: Scored) -> str:
    star = "" if tree.exact else "*"
    return f"{tree.seed}{star}: {_numbers(tree.truth)}, found {_numbers(tree.found)}"


def _numbers(values: Sequence[int]) -> str:
    return " ".join(str(value) for value in values)


def _clocks(scores: dict[str, Score]) -> list[str]:
    out = ["", "## Clocks", ""]
    for name, result in scores.items():
        misses = [miss for tree in result.trees for miss in tree.clocks]
        if misses:
            far = sum(miss > 0.1 for miss in misses)
            out.append(
                f"- {name}: {len(misses)} of {2 * len(result.trees)} offsets found; they miss the truth by"
                f" {np.median(misses) * 1000:.1f} ms in the middle, {far} by more than 100 ms."
            )
    return out


def main() -> None:
    """Score and print; with --write also keep the page."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--trees", type=int, default=1000)
    asked.add_argument("--first-seed", type=int, default=HELD_APART)
    asked.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    asked.add_argument("--write", action="store_true", help="keep the page in docs/proofs")
    given = asked.parse_args()
    text = page(run(given.trees, given.first_seed, given.jobs), given.first_seed)
    print(text)
    if given.write:
        PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
