"""Faults drawn at random from the whole package, for ``mutants.py --drawn``: what a table written by hand does not foresee.

Every place at which a fault of one of the kinds below can be put in is listed, in all modules but those of command line,
terminal and page, and as many as asked for are drawn with a seed, each room as often as it has lines. So the share that is
killed says something of faults that nobody has seen yet. The tests that belong to a module are its own and those that
name it, where there are none those of its room; long ones are left out, so that a survivor may still be killed by the
whole suite.
"""

from __future__ import annotations

import ast
import random
from collections.abc import Iterator
from pathlib import Path

from fault import Fault

ROOMS = (
    "theory", "sound", "hearing", "reading", "history", "live", "regulation", "benchlog", "bench", "jobs", "beat_sounds", "twin",
    "learning", "typed", "display",
)  # fmt: skip

COMPARED = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==",
    ast.Is: "is not", ast.IsNot: "is", ast.In: "not in", ast.NotIn: "in",
}  # fmt: skip
"""Boundaries moved by one, conditions turned round."""

RECKONED = {
    ast.Add: "-",
    ast.Sub: "+",
    ast.Mult: "/",
    ast.Div: "*",
    ast.FloorDiv: "*",
    ast.Mod: "//",
    ast.Pow: "*",
}

NAMES = {
    "min": "max", "max": "min", "any": "all", "all": "any", "ceil": "floor", "floor": "ceil", "argmin": "argmax",
    "argmax": "argmin", "minimum": "maximum", "maximum": "minimum", "sin": "cos", "cos": "sin", "degrees": "radians",
    "radians": "degrees", "bisect_left": "bisect_right", "mean": "max", "median": "min", "hypot": "subtract",
}  # fmt: skip
"""One function for another."""

SLOW = ("test_docs", "test_reliability", "test_capture_pulseaudio", "test_cluster", "test_coverage")
"""Tests of processes, servers and coverages: they run for tens of seconds."""

LONG = (
    "postgres", "several_channels_over_several_chapters", "two_weeks_of_short_nights", "ticks_become_the_timebase",
    "comes_to_time_in_three_trials", "lost_sound_keeps_the_count", "third_of_the_trials", "promises_hold_the_truth",
    "computer_nobody_kept_right", "drift_alone_is_never_a_gap", "frames_are_found_across_damage", "followed_from_elsewhere",
    "leave_what_is_there_alone", "in_the_log_when_it_is_over", "holds_the_truth_95_times_in_100",
)  # fmt: skip
"""Parts of the names of single tests that run for more than 4 s: left out, or a survivor would cost a minute."""

ROADS = {
    "benchlog": ("cli/test_advice_road.py", "cli/test_bench_commands.py"),
    "learning": ("cli/test_advice_road.py", "cli/test_adjust_commands.py"),
    "typed": ("cli/test_adjust_commands.py", "cli/test_bench_commands.py"),
    "bench": (
        "jobs/test_keep.py",
        "cli/test_clock_sides.py",
        "cli/test_advice_road.py",
        "cli/test_listen.py",
    ),
    "regulation": ("cli/test_advice_road.py", "cli/test_adjust_commands.py"),
    "jobs": ("cli/test_advice_road.py", "cli/test_adjust_commands.py", "cli/test_compare.py"),
}
"""Tests of whole roads through the commands, run last."""

NOT_TOUCHED = ("__all__", "__slots__")


def places(tree: ast.Module, source: str) -> Iterator[tuple[str, ast.AST, str]]:
    """Every fault of a module: its kind, the node that it replaces, and the text that takes its place."""

    def text(node: ast.AST) -> str:
        return ast.get_source_segment(source, node) or ""

    for node in ast.walk(tree):
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            left, right = text(node.left), text(node.comparators[0])
            yield "compared otherwise", node, f"{left} {COMPARED[type(node.ops[0])]} {right}"
        elif isinstance(node, ast.BinOp) and type(node.op) in RECKONED:
            left, right = text(node.left), text(node.right)
            if isinstance(node.op, ast.Mod) and isinstance(node.left, ast.Constant | ast.JoinedStr):
                continue
            if any(isinstance(part, ast.JoinedStr) for part in (node.left, node.right)):
                continue
            yield "reckoned otherwise", node, f"({left} {RECKONED[type(node.op)]} {right})"
            if isinstance(node.op, ast.Add | ast.Sub | ast.Mult | ast.Div):
                yield "second term dropped", node, f"({left})"
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not):
            yield "sign or not dropped", node, f"({text(node.operand)})"
        elif isinstance(node, ast.BoolOp):
            word = "or" if isinstance(node.op, ast.And) else "and"
            yield "and for or", node, "(" + f" {word} ".join(f"({text(one)})" for one in node.values) + ")"
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield (
                "another number",
                node,
                repr(node.value + 1 if isinstance(node.value, int) else node.value * 2 or 1.0),
            )
        elif isinstance(node, ast.Constant) and node.value in ("a", "b"):
            yield "the other side", node, '"b"' if node.value == "a" else '"a"'
        elif isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in NAMES:
                yield "another function", node.func, text(node.func).removesuffix(name) + NAMES[name]
        elif isinstance(node, ast.If | ast.IfExp):
            yield "condition turned round", node.test, f"(not ({text(node.test)}))"
        elif isinstance(node, ast.AugAssign):
            yield "not added", node, f"{text(node.target)} = {text(node.value)}"
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
            yield "not done", node, "pass"


def _left_out(tree: ast.Module) -> set[int]:
    """Numbers of nodes that say nothing by themselves: ``__all__``, hints, what is only said in errors and remarks."""
    found: set[int] = set()
    for node in ast.walk(tree):
        parts: list[ast.AST | None] = []
        if isinstance(node, ast.Assign) and any(
            getattr(one, "id", "") in NOT_TOUCHED for one in node.targets
        ):
            parts = [node]
        elif isinstance(node, ast.AnnAssign):
            parts = [node.annotation]
        elif isinstance(node, ast.FunctionDef):
            arguments = node.args
            parts = [node.returns, *(one.annotation for one in (*arguments.args, *arguments.kwonlyargs))]
            parts += node.decorator_list
        elif isinstance(node, ast.Raise | ast.JoinedStr | ast.Assert) or (
            isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
        ):
            parts = [node]
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Remark":
            parts = list(node.args)
        for part in parts:
            if part is not None:
                found |= {id(one) for one in ast.walk(part)}
    return found


def faults_of(root: Path, path: Path) -> list[Fault]:
    """All faults of one module; the text of each is the whole file, so that it is found once."""
    source = path.read_text(encoding="utf-8")
    tree = ast.parse(source)
    lines = source.encode().splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line))
    content, silent = source.encode(), _left_out(tree)
    file = str(path.relative_to(root / "torsionbeat"))
    found = []
    for kind, node, instead in places(tree, source):
        if id(node) in silent:
            continue
        first = starts[node.lineno - 1] + node.col_offset  # type: ignore[attr-defined]
        last = starts[node.end_lineno - 1] + node.end_col_offset  # type: ignore[attr-defined]
        was = " ".join(content[first:last].decode().split())
        if was == instead:
            continue
        changed = (content[:first] + instead.encode() + content[last:]).decode()
        try:
            ast.parse(changed)
        except SyntaxError:
            continue
        name = f"{node.lineno}: {kind}: {was[:60]} -> {' '.join(instead.split())[:60]}"  # type: ignore[attr-defined]
        found.append(Fault(file, name, source, changed, ()))
    return found


def tests_of(root: Path, file: str) -> tuple[str, ...]:
    """The tests that belong to a module, its own first."""
    room, stem = file.split("/")[0], Path(file).stem
    module = "torsionbeat." + file.removesuffix(".py").replace("/", ".")
    named, own, rest = [], [], []
    for path in sorted((root / "tests").rglob("test_*.py")):
        within = str(path.relative_to(root))
        if path.parent.name == "page" or path.stem in SLOW:
            continue
        if path.stem in (f"test_{stem}", f"test_{stem}_job"):
            own.append(within)
        elif module in (said := path.read_text(encoding="utf-8")) or f"import {stem}" in said:
            named.append(within)
        elif path.parent.name == room or path.parent.parent.name == room:
            rest.append(within)
    own += named
    return tuple(dict.fromkeys((own or rest) + [f"tests/{one}" for one in ROADS.get(room, ())]))


def drawn(root: Path, count: int, seed: int, only: list[str]) -> list[Fault]:
    """Draw faults at random."""
    found = []
    for room in ROOMS:
        for path in sorted((root / "torsionbeat" / room).rglob("*.py")):
            if "migrations" not in path.parts and any(part in str(path) for part in only):
                found += faults_of(root, path)
    chosen = random.Random(seed).sample(found, min(count, len(found)))
    tests = {fault.file: tests_of(root, fault.file) for fault in chosen}
    return sorted(
        (Fault(one.file, one.name, one.text, one.instead, tests[one.file]) for one in chosen),
        key=lambda one: one.file,
    )
