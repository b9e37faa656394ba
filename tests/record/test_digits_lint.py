"""No binary fraction comes near a measured value: three calls are refused wherever the program handles values."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

REFUSED = {
    "model_dump_json": "writes a Decimal as text: use capture.record.text.write",
    "model_validate_json": "reads numbers through binary fractions: use capture.record.text.read",
    "float": "is a binary fraction: use Decimal",
}

# file -> why its float() touches no measured value
ALLOWED = {
    "capture/commands/demo/service.py": "the demo's pace is a ratio of times",
    "capture/commands/listen.py": "--for and --quiet are spans of time",
    "capture/commands/simulate.py": "--speed is a ratio of times",
    "capture/commands/simulate_receiver.py": "--seconds is how long to stay",
}


def calls(source: str) -> list[tuple[int, str]]:
    """Every mention of a refused name that could call it: `x.model_dump_json`, `float(...)`, `map(float, ...)`."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute) and node.attr in REFUSED and node.attr != "float":
            found.append((node.lineno, node.attr))
        if isinstance(node, ast.Call):
            found += [
                (node.lineno, "float")
                for name in [node.func, *node.args, *(keyword.value for keyword in node.keywords)]
                if isinstance(name, ast.Name) and name.id == "float"
            ]
    return found


def sources() -> list[Path]:
    return [path for room in ("capture", "drivers") for path in sorted((ROOT / room).rglob("*.py"))]


def test_no_file_of_capture_or_drivers_makes_a_binary_fraction_of_a_value() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}:{line}: {name} {REFUSED[name]}"
        for path in sources()
        for line, name in calls(path.read_text("utf-8"))
        if not (name == "float" and str(path.relative_to(ROOT)) in ALLOWED)
    ]
    assert not wrong, "\n".join(wrong)


def test_every_exception_is_still_needed() -> None:
    for name in ALLOWED:
        assert calls((ROOT / name).read_text("utf-8")), f"{name} needs no exception any more"


@pytest.mark.parametrize(
    ("line", "name"),
    [
        ("record.model_dump_json()", "model_dump_json"),
        ("BreathReading.model_validate_json(text)", "model_validate_json"),
        ("write = record.model_dump_json", "model_dump_json"),
        ("float('1.5')", "float"),
        ("list(map(float, fields))", "float"),
        ("json.loads(text, parse_float=float)", "float"),
    ],
)
def test_the_lint_itself_sees(line: str, name: str) -> None:
    assert (1, name) in calls(line)


@pytest.mark.parametrize("line", ["x: float = 1", "isinstance(x, (int, float))", "def f(wait: float) -> None: ..."])
def test_the_lint_lets_pass_what_makes_no_number(line: str) -> None:
    assert calls(line) == []


def test_the_lint_reads_the_rooms_it_is_meant_for() -> None:
    names = {str(path.relative_to(ROOT)) for path in sources()}
    assert {"capture/record/numbers.py", "drivers/contract.py"} <= names
