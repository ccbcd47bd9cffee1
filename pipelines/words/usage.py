"""What is wrong with the options of a command, in sentences: argparse says it in its own words."""

from __future__ import annotations

import difflib
import re

PLACE = re.compile(r"argument (?P<what>[^:]+): (?P<wrong>.*)", re.DOTALL)
CHOICE = re.compile(r"invalid choice: (?P<text>.*) \(choose from (?P<choices>.*)\)", re.DOTALL)
TYPE = re.compile(r"invalid \w+ value: (?P<text>.*)", re.DOTALL)
WRONG = {
    r"expected (one|at least one) argument": "{what} stands without what belongs after it",
    r"not allowed with argument (\S+)": "{what} and {0} do not go together: give one of them",
    r"ignored explicit argument (.*)": "{what} takes nothing after it",
}
WHOLE = {
    r"the following arguments are required: (.*)": "still to be given: {0}",
    r"one of the arguments (.*) is required": "give one of these: {0}",
}


def said(message: str) -> str:
    """What argparse's ``message`` says, without a full stop; one it does not know stays.

    >>> said("argument COMMAND: invalid choice: 'lern' (choose from 'demo', 'learn')")
    'there is no command "lern" (is learn meant?)'
    >>> said("argument --condition: invalid choice: 'M7' (choose from 'M0', 'M1')")
    '--condition "M7" is none of these: M0, M1'
    >>> said("argument --shop: expected one argument")
    '--shop stands without what belongs after it'
    """
    for pattern, words in WHOLE.items():
        if found := re.fullmatch(pattern, message, re.DOTALL):
            return words.format(*found.groups())
    if not (placed := PLACE.fullmatch(message)):
        return message
    what, wrong = max(placed["what"].split("/"), key=len), placed["wrong"]
    for pattern, words in WRONG.items():
        if found := re.fullmatch(pattern, wrong, re.DOTALL):
            return words.format(*found.groups(), what=what)
    option = f"{what} " if what.startswith("-") else ""
    if found := CHOICE.fullmatch(wrong):
        return _choice(option, what, _bare(found["text"]), found["choices"])
    if found := TYPE.fullmatch(wrong):
        return f'{option}"{_bare(found["text"])}" is no number'
    return f"{what}: {wrong}"


def _choice(option: str, what: str, text: str, listed: str) -> str:
    choices = [_bare(one) for one in listed.split(", ")]
    near = difflib.get_close_matches(text, choices, n=1)
    meant = f" (is {near[0]} meant?)" if near else ""
    if what == "COMMAND":
        return f'there is no command "{text}"{meant}'
    return f'{option}"{text}" is none of these: {", ".join(choices)}{meant}'


def _bare(text: str) -> str:
    """Without the quotes that Python's own way of writing a text puts round it."""
    return text[1:-1] if text[:1] in ("'", '"') and text[-1:] == text[:1] else text
