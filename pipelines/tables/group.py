"""``group.toml``: which shops make up a group, and what each lets the others see."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from pipelines.workspace.files import read_at_most
from pipelines.workspace.folders import Workspace, checked_name
from pipelines.workspace.problems import Findings, Kind, UserError
from pipelines.workspace.terminal import has_password, without_secrets

FILE = "group.toml"
MOST_BYTES = 1_000_000
EXAMPLE = 'write [[shop]] and below it name = "north"'
SHARES = 'write true, false or a list of ink ids as ["C01", "C02"]'

Shares = bool | tuple[str, ...]  # of what may travel to the others: all inks, none, or these
Wrong = Callable[[str, str, str, Kind], None]  # key, what is wrong, what to do


@dataclass(frozen=True)
class Member:
    """One shop of a group: what the group calls it, and where it lies."""

    name: str
    workspace: Workspace
    shop: str  # its name in that workspace
    shares: Shares = False


@dataclass(frozen=True)
class Group:
    """Shops of one owner, in the order they are written."""

    name: str
    members: tuple[Member, ...]
    notes: tuple[str, ...] = ()


def read_group(path: Path, workspace: Workspace) -> Group:
    """The group that a file names; folders in it are seen from where it lies.

    A shop on a server keeps the models of this computer in ``workspace``.

    Raises InputProblems with all that is wrong in it.
    """
    findings = Findings()
    given = _tables(path, findings)

    def wrong(key: str | None, what: str, do: str, kind: Kind) -> None:
        findings.problem(path.name, None, key, what, do, kind)

    _refuse_unknown(given, ("name", "shop"), lambda *told: wrong(*told))
    name = given.get("name", path.resolve().parent.name)
    if not (isinstance(name, str) and name.strip()):
        wrong("name", f"{name!r} is not a name", "write a text", Kind.UNREADABLE)
    shops = given.get("shop", [])
    if not (isinstance(shops, list) and shops and all(isinstance(one, dict) for one in shops)):
        wrong("shop", "it names no shop", f"for each shop {EXAMPLE}", Kind.MISSING)
        findings.raise_if_any()
    members: list[Member] = []
    for number, entry in enumerate(shops, 1):
        called = entry.get("name")
        place = f"shop {called}" if isinstance(called, str) and called else f"shop number {number}"

        def here(key: str, what: str, do: str, kind: Kind, place: str = place) -> None:
            wrong(f"{place}, {key}", what, do, kind)

        member = _member(entry, path.parent, workspace, here)
        if member is not None and not _is_second(member, members, here):
            members.append(member)
    findings.raise_if_any()
    notes = (_readable_password(path, shops),)
    return Group(str(name).strip(), tuple(members), tuple(filter(None, notes)))


def _tables(path: Path, findings: Findings) -> dict[str, Any]:
    if not path.exists():
        what = "there is no such file"
        findings.problem(
            path.name, None, None, what, f"make it: for each shop {EXAMPLE}", Kind.MISSING
        )
        findings.raise_if_any()
    try:
        return tomllib.loads(read_at_most(path, MOST_BYTES).decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        why = without_secrets(str(error))
        findings.problem(path.name, None, None, f"cannot be read ({why})", EXAMPLE, Kind.UNREADABLE)
    findings.raise_if_any()
    return {}


def _refuse_unknown(entry: dict[str, Any], known: tuple[str, ...], wrong: Wrong) -> None:
    for key in entry:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
            do = f"write {near[0]}" if near else f"it knows {', '.join(known)}; take it out"
            wrong(key, "the key is not known", do, Kind.UNKNOWN)


def _member(
    entry: dict[str, Any], beside: Path, workspace: Workspace, wrong: Wrong
) -> Member | None:
    """One shop; None where it is told what is wrong."""
    _refuse_unknown(entry, ("name", "folder", "shop", "database", "shares"), wrong)
    shares = _shares(entry.get("shares", False), wrong)
    texts = {key: entry[key] for key in ("name", "folder", "shop", "database") if key in entry}
    for key, value in texts.items():
        if not (isinstance(value, str) and value.strip()):
            wrong(key, "is not a text", 'write it in quotation marks, as "north"', Kind.UNREADABLE)
            return None
    if "name" not in texts:
        wrong("name", "it is missing", EXAMPLE, Kind.MISSING)
        return None
    name = texts["name"].strip()
    try:
        if "database" in texts:
            if "folder" in texts or "shop" in texts:
                do = "give one of them: a database is a shop by itself"
                wrong("database", "stands beside a folder or shop", do, Kind.CONTRADICTION)
                return None
            where = _on_server(checked_name(name), texts["database"].strip(), workspace)
            return Member(name, where, name, shares)
        where = workspace
        if "folder" in texts:
            where = Workspace.find(str(beside / texts["folder"]))
        alone = "folder" in texts and "shop" not in texts and len(where.shops()) == 1
        shop = where.pick(None if alone else texts.get("shop", name))
    except UserError as error:
        wrong("name", _without_stop(error), "correct it or take the shop out", error.kind)
        return None
    return Member(name, where, shop, shares)


def _on_server(name: str, url: str, workspace: Workspace) -> Workspace:
    if "://" not in url or len(url.split()) != 1:
        raise UserError(
            "its database is no URL, which reads postgresql://user@server/shop", Kind.UNREADABLE
        )
    if name in workspace.shops() and workspace.database(name) != url:
        raise UserError(f"the workspace holds another shop {name}", Kind.CONTRADICTION)
    return replace(workspace, urls={**workspace.urls, name: url})


def _shares(value: object, wrong: Wrong) -> Shares:
    if isinstance(value, bool):
        return value
    if isinstance(value, list) and all(isinstance(ink, str) and ink.strip() for ink in value):
        return tuple(ink.strip() for ink in value)
    wrong("shares", "says not what may be shared", SHARES, Kind.UNREADABLE)
    return False


def _is_second(member: Member, before: list[Member], wrong: Wrong) -> bool:
    """Whether one of that name, or that very shop, stands there already; it is told."""
    if any(member.name.casefold() == other.name.casefold() for other in before):
        wrong("name", "two shops have this name", "give each its own", Kind.DUPLICATE)
        return True
    same = next((one.name for one in before if _place(one) == _place(member)), None)
    if same is not None:
        wrong("name", f"is the same shop as {same}", "take one of them out", Kind.DUPLICATE)
    return same is not None


def _place(member: Member) -> str:
    """Where a shop's data lie, whoever asks for them."""
    database = member.workspace.database(member.shop)
    if isinstance(database, Path):
        return str(database.resolve())
    try:
        url = urlsplit(database)
        host = url.hostname or parse_qs(url.query).get("host", ["localhost"])[0]
        return f"{'localhost' if host == '127.0.0.1' else host}:{url.port or 5432}{url.path}"
    except ValueError:  # told when it is opened
        return without_secrets(database)


def _readable_password(path: Path, shops: list[dict[str, Any]]) -> str:
    """What to tell of a password that others on this computer can read."""
    urls = [url for one in shops if isinstance(url := one.get("database"), str)]
    if not (any(map(has_password, urls)) and path.stat().st_mode & 0o077):
        return ""
    return f"{path.name} holds a password that others here can read; chmod 600 {path} mends that."


def _without_stop(error: UserError) -> str:
    return str(error).rstrip(".")
