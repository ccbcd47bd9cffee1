"""``strikeoff doubts``: prints that are set aside, and what somebody decides on them."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands._options import (
    SETUP_OPTIONS,
    add_command,
    add_setup,
    add_shop,
    lab_parts,
    page_file,
    refuse_commas,
    setup_cells,
)
from pipelines.tasks.named import Named
from pipelines.tasks.of_today import NONE, OPTIONS
from pipelines.words.common import counted, minute
from pipelines.workspace.files import refuse_outputs
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError, printable
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    from pipelines.ledger.state import Addition, Decision, Ledger, State, What
    from pipelines.registry.gate import Seen

DECISIONS: dict[str, What] = {"keep": "kept", "restore": "restored", "set-aside": "set aside"}
ABOUT = """\
Lists the prints that are set aside: because they cannot be right, because their colour is far from
expected on arrival, or as plainly wrong by the learner. Decide on each of them: keep (or restore)
it, correct it, or set it aside for good. Nothing is deleted; strikeoff history tells it all.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "doubts",
        "prints that are set aside, to decide on",
        ABOUT,
        [
            "strikeoff doubts",
            "strikeoff doubts --page doubts.html",
            "strikeoff doubts keep P00412 P00413",
            'strikeoff doubts set-aside P00414 --reason "smeared"',
            "strikeoff doubts correct P00415 --ink C07",
            "strikeoff doubts correct P00416 --lab 45.2,62,38",
        ],
    )
    add.add_argument(
        "verb",
        nargs="?",
        choices=("list", *DECISIONS, "correct"),
        default="list",
        help="what to do (default: list)",
    )
    add.add_argument("ids", metavar="PRINT_ID", nargs="*", help="which prints")
    add.add_argument(
        "--reason", metavar="TEXT", type=printable, default="", help="why; kept in the history"
    )
    add.add_argument(
        "--page", metavar="FILE.html", type=page_file, help="the list as a page, with swatches"
    )
    add.add_argument("--all", action="store_true", help="list those set aside by hand as well")
    fix = add.add_argument_group("correct", "the cells that were wrong, by their right values")
    add_setup(fix, without=("tolerance_dE00",), printed=True)
    fix.add_argument("--job", dest="setup_job_id", metavar="VALUE", help="job")
    fix.add_argument("--lab", metavar="L,a,b", help="the measured colour")
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    at = {"workspace": workspace, "shop": args.shop}
    cells = setup_cells(args)
    if args.verb != "correct" and (cells or args.lab):
        raise UserError("Cells are given with strikeoff doubts correct PRINT_ID alone.")
    if args.verb == "list":
        return list_doubts(everything=args.all, page=args.page, **at)
    if args.page is not None:
        raise UserError("--page is of the list: strikeoff doubts --page FILE.html.")
    if not args.ids:
        raise UserError(f"Name the print: strikeoff doubts {args.verb} PRINT_ID.")
    if args.verb == "correct":
        if len(args.ids) > 1:
            raise UserError("Correct one print at a time.")
        return correct(args.ids[0], cells, lab=args.lab, reason=args.reason, **at)
    return decide(DECISIONS[args.verb], args.ids, reason=args.reason, **at)


def list_doubts(
    *,
    workspace: Workspace,
    shop: str | None = None,
    everything: bool = False,
    page: Path | None = None,
) -> int:
    """Tell every print that is set aside, why and by whom; with ``everything`` settled ones too."""
    from pipelines.ledger import store
    from pipelines.registry.archive import archive_of
    from pipelines.tasks.doubts import by_learner

    name = workspace.pick(shop)
    refuse_outputs(page)
    state = store.read_state(workspace.database(name))
    ids = state.given.tables["prints"]["print_id"].str.strip()
    arrived, settled = {}, []
    for row, stands in state.standing.items():
        if stands.why is None:
            continue
        decision = stands.decision
        line = printable(f"{ids[row] or '(no id)'}  batch {stands.batch}: {stands.why}")
        if decision is not None and decision.what == "set aside":
            settled.append(f"{line} ({decision.who}, {minute(decision.at)})")
        else:
            arrived[row] = line
    learnt = by_learner(archive_of(workspace, name), state)
    in_colour = shows_colour()
    seen: dict[int, Seen] = {}
    if learnt or (arrived and (page is not None or in_colour)):
        seen = _looked_at(workspace, name, state, [*arrived, *learnt])
    guessed = {row: seen[row].guess for row in learnt if row in seen and seen[row].guess}
    learnt |= {row: f"{learnt[row]}; {guess}" for row, guess in guessed.items()}
    for lines, how in ((arrived, "on arrival"), (learnt, "by the learner as plainly wrong")):
        if lines:
            print(f"{counted(len(lines), 'print')} set aside {how}:")
        for row, line in lines.items():
            print(f"  {line}")
            if in_colour and row in seen:
                print(f"    {swatches(seen[row])}")
    if not arrived and not learnt:
        print("No doubtful prints.")
    if settled and everything:
        print(f"{counted(len(settled), 'print')} set aside by hand:")
        print("\n".join(f"  {line}" for line in settled))
    elif settled:
        print(f"{counted(len(settled), 'print')} set aside by hand; --all lists them.")
    if page is not None:
        from pipelines.pages.doubts import write_page

        write_page(page, _shop_name(state), arrived | learnt, seen)
        print(f"The page is {page}.")
    return 0


def _shop_name(state: State) -> str:
    from pipelines.tables.settings import read_settings
    from pipelines.workspace.problems import Findings

    return read_settings(state.given.shop_toml, state.given.name, Findings()).name


def shows_colour() -> bool:
    """Whether a person reads this on a terminal that says it can show any colour."""
    return sys.stdout.isatty() and os.environ.get("COLORTERM") in ("truecolor", "24bit")


def swatches(seen: Seen) -> str:
    """What was measured and what was expected as blocks of colour for a terminal."""
    told = []
    both = (("measured", seen.lab), ("expected", seen.expected))
    for (words, lab), fill in zip(both, seen.fills, strict=True):
        if fill:
            r, g, b = (int(fill[i : i + 2], 16) for i in (1, 3, 5))
            numbers = ", ".join(f"{v:.0f}" for v in lab)
            told.append(f"\x1b[48;2;{r};{g};{b}m      \x1b[0m {words} L, a, b {numbers}")
    return "   ".join(told)


def _looked_at(workspace: Workspace, name: str, state: State, rows: list[int]) -> dict[int, Seen]:
    """The prints held against the model in charge; none, and a note, where it cannot tell."""
    from pipelines.registry import versions
    from pipelines.registry.archive import archive_of
    from pipelines.registry.gate import look_at

    if versions.in_charge(archive_of(workspace, name)) is None:
        return {}
    try:
        return look_at(workspace, name, state.given, rows)
    except UserError as error:
        tell([f"what was expected of them is not told: {error}"])
        return {}


def decide(
    verb: What,
    print_ids: list[str],
    *,
    workspace: Workspace,
    shop: str | None = None,
    reason: str = "",
) -> int:
    """Keep, restore or set aside prints, all of them or (one unknown) none."""
    from pipelines.registry.opened import counts_now
    from pipelines.tasks.deciding import decided, risky, store_decided

    name = workspace.pick(shop)
    if verb == "set aside" and not reason.strip():
        raise UserError("Say why it is set aside, with --reason TEXT.")

    before: dict[str, Decision | None] = {}
    done = store_decided(
        workspace.database(name),
        lambda ledger: decided(ledger, verb, print_ids, reason, before),
        print_ids,
    )
    if done is None:
        print("That is how it stands already; nothing was changed.")
        return 0
    told = {
        "kept": "is kept: learnt from, and not set aside again",
        "restored": "is restored: learnt from, and not set aside again",
        "set aside": f"is set aside: {reason}",
    }
    for decision in done.decisions:
        print(f"{decision.print_id} {told[verb]}.")
    if verb != "set aside":
        tell(risky(done.decisions, before))
    print(counts_now(workspace, name, print_ids))
    return 0


def correct(
    print_id: str,
    cells: dict[str, str],
    *,
    lab: str | None = None,
    workspace: Workspace,
    shop: str | None = None,
    reason: str = "",
) -> int:
    """Change cells of one print; what stood there before stays in the history."""
    from pipelines.ledger import store
    from pipelines.ledger.state import current
    from pipelines.registry.gate import gate_of
    from pipelines.registry.opened import counts_now
    from pipelines.registry.unlearnt import once_learnt
    from pipelines.tables.dates import iso_day
    from pipelines.tables.folder import known_in
    from pipelines.tables.spectra import wavelength_nm
    from pipelines.tasks.deciding import colour_cells, corrected, store_decided

    name = workspace.pick(shop)
    source = workspace.database(name)
    if lab is not None:
        cells = cells | _lab_cells(lab)
    if not cells:
        raise UserError(
            "Say what is corrected, such as --ink C07 or --lab 45.2,62,38; see strikeoff doubts "
            "correct --help."
        )
    refuse_commas(cells)
    named = Named(known_in(store.read(source).tables))
    cells = named.cells({c: names[0] for c, (names, _) in SETUP_OPTIONS.items()}, cells)
    for column in {"printed_on", "ink_lot"} & {c for c in cells if cells[c].casefold() == NONE}:
        cells[column] = ""
    if "printed_on" in cells:
        cells["printed_on"] = iso_day(cells["printed_on"], OPTIONS.day)
    notes: list[str] = named.said
    gate = gate_of(workspace, name, notes)

    def plan(ledger: Ledger) -> Addition | None:
        right = cells
        if lab is not None:
            right = colour_cells(current(ledger), print_id, cells)
        return corrected(ledger, {print_id: right}, gate, reason, typed=True)

    done = store_decided(source, plan, [print_id])
    tell(notes)
    if done is None:
        print(f"{print_id} says so already; nothing was changed.")
        return 0
    made = done.decisions[0]
    for column, cell in made.new.items():
        if wavelength_nm(column) is None:
            print(f"{print_id}: {column} {_quoted(made.old[column])} -> {_quoted(cell)}")
    if any(wavelength_nm(column) is not None for column in made.new):
        print(f"{print_id}: the spectrum gives way to the Lab given; it stays in the history.")
    counts = counts_now(workspace, name, [print_id])
    if len(done.decisions) > 1:
        why = done.decisions[1].reason
        print(f"It stays set aside: {why}{'' if why.endswith('?') else '.'}")
        print(f"If it is right all the same: strikeoff doubts keep {print_id}")
        if counts == once_learnt():  # as it was, it has been learnt
            print(counts)
        return 0
    print(f"{print_id} is learnt from.")
    print(counts)
    return 0


def _lab_cells(lab: str) -> dict[str, str]:
    return dict(zip("Lab", lab_parts("--lab", lab), strict=True))


def _quoted(cell: str) -> str:
    return cell if cell.strip() else "(empty)"
