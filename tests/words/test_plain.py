"""No statistician's word on a screen or a page, but under "details"."""

import ast
import re
from pathlib import Path

PIPELINES = Path(__file__).parents[2] / "pipelines"
STATISTICS = re.compile(
    r"CRPS|energy score|energy \(|posterior|hyper-?parameter|evidence|likelihood|\bprior\b"
    r"|standard deviation|gross error"
    r'|(?<!\.)\bmedian\b(?!")',  # but names in templates
    re.IGNORECASE,
)
# Where such words stand under "details", told apart by the tests of these.
WITH_DETAILS = {"tasks/learnt.py", "registry/report_card.py"}
READ = {"measured/laid.py"}  # such words over the tables of others
FOLDED = re.compile(r"<details.*?</details>", re.DOTALL)


def spoken(code: str) -> list[str]:
    """Every text of a module but docstrings and names (keys, file names)."""
    tree = ast.parse(code)
    silent = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    texts = [n for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
    return [n.value for n in texts if id(n) not in silent and not n.value.isidentifier()]


def test_screens_and_pages_speak_as_the_press_floor_does():
    found = {
        (str(path.relative_to(PIPELINES)), text)
        for path in sorted(PIPELINES.rglob("*.py"))
        for text in spoken(path.read_text(encoding="utf-8"))
        if STATISTICS.search(text)
    }
    found |= {
        (path.name, word.group())
        for path in PIPELINES.rglob("*.html")
        for word in STATISTICS.finditer(FOLDED.sub("", path.read_text(encoding="utf-8")))
    }
    assert not {(path, text) for path, text in found if path not in WITH_DETAILS | READ}


def test_such_a_word_is_found():
    assert [t for t in spoken('"""CRPS."""\nx = f"energy score {1}"\n') if STATISTICS.search(t)]
    assert not [t for t in spoken('def f():\n    """CRPS."""\n') if STATISTICS.search(t)]
