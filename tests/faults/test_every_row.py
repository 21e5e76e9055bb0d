"""Every fault of README.md has a test that is named after it, and every such test is of a fault that stands there."""

import ast
import re
from pathlib import Path

HERE = Path(__file__).parent


def test_every_fault_has_a_test_and_every_test_a_fault() -> None:
    told = set(re.findall(r"^\| F(\d+b?) \|", (HERE / "README.md").read_text(encoding="utf-8"), re.MULTILINE))
    tested: set[str] = set()
    for path in HERE.glob("test_*.py"):
        functions = [
            node for node in ast.parse(path.read_text(encoding="utf-8")).body if isinstance(node, ast.FunctionDef)
        ]
        for function in functions:
            named = re.match(r"test_((?:f\d+b?_)+)", function.name)
            tested.update(re.findall(r"\d+b?", named[1]) if named else ())
    assert len(told) > 80
    assert tested == told
