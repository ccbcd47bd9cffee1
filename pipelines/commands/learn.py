"""``strikeoff learn``: fit the model to the shop's history, check it, store a new version."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipelines import models, store
from pipelines.catalogue import Catalogue
from pipelines.files import refuse_unwritable
from pipelines.progress import Progress, counted
from pipelines.schema import SHOP_TABLES
from pipelines.tables import to_shop
from pipelines.workspace import Workspace

if TYPE_CHECKING:
    from learn.shift import ShiftModel

SHOWN_SET_ASIDE = 20


def learn(
    *, workspace: Workspace, shop: str | None = None, progress: Progress | None = None
) -> int:
    """Learn from the imported tables and print how the model did on jobs held back."""
    progress = progress or Progress()
    name = workspace.pick(shop)
    refuse_unwritable(workspace.models(name))  # before the long work, not after it
    database = models.database_stamp(workspace.database(name))
    given = store.read(workspace.database(name))
    data = to_shop(given)
    progress(f"learning from {counted(len(data.prints), 'print')} of shop {name}")
    from learn.shift import ShiftModel  # takes seconds to import; the help must not wait for it

    model = ShiftModel()
    model.fit(data, progress=progress, **_trusted(model, given.trusted))
    arrays, meta = model.to_state()
    set_aside = model.set_aside_.to_dict("records")
    facts = {
        "data_sha256": models.fingerprint(given),
        "database_sha256": database,
        "rows": {table: len(getattr(data, table)) for table in SHOP_TABLES},
        "set_aside_on_import": len(given.set_aside),
        "set_aside": set_aside,
        "catalogue": Catalogue.of(data).facts(),
        "validation": model.validation_,
    }
    version = models.save(workspace.models(name), arrays, meta, facts)
    progress("done")
    for line in report(model.validation_):
        print(line)
    if set_aside:
        print(f"{counted(len(set_aside), 'print')} set aside as gross errors:")
        for record in set_aside[:SHOWN_SET_ASIDE]:
            print(f"  {record['print_id']}: {record['reason']}")
        if (more := len(set_aside) - SHOWN_SET_ASIDE) > 0:
            print(f"  and {more} more, all of them in the version's {models.FACTS}")
    print(f"Stored as version {version} in {workspace.models(name) / version}.")
    return 0


def _trusted(model: ShiftModel, print_ids: frozenset[str]) -> dict[str, set[str]]:
    """Prints somebody found right are never screened out, where the model can be told so."""
    if print_ids and "trusted" in inspect.signature(model.fit).parameters:
        return {"trusted": set(print_ids)}
    return {}


def report(validation: Mapping[str, object]) -> list[str]:
    """How the model did on held-out jobs, in a few lines."""

    def number(key: str) -> float | None:
        value = validation.get(key)
        return None if value is None or float(value) != float(value) else float(value)

    if number("median_dE00") is None:
        return ["Too few prints to hold any back: how good the model is has not been measured."]
    lines = ["Prints of held-out jobs, median dE00 from predicted to measured:"]
    if number("n_prints") and number("n_jobs"):
        lines[0] = (
            f"{counted(int(number('n_prints')), 'print')} of "
            f"{counted(int(number('n_jobs')), 'job')}, each job predicted without it; "
            "median dE00 from predicted to measured:"
        )
    for label, key in (
        ("physics and learning", "median_dE00"),
        ("physics alone", "physics_median_dE00"),
        ("nearest past print", "nearest_median_dE00"),
    ):
        if (value := number(key)) is not None:
            lines.append(f"  {label:<22}{value:5.2f}")
    if (coverage := number("coverage90")) is not None:
        lines.append(
            f"The 90 % bands of L, a, b held {100 * coverage:.0f} % of the measured values."
        )
    return lines
