"""The trade counts squeegee angles from the mesh, and gaps in inches; the tables do otherwise."""

import numpy as np

from tests.tables.test_folder import read
from tests.tiny_shop import TINY


def test_an_angle_from_the_mesh_is_the_other_way_round(tmp_path):
    """65 to 75 degrees are usual so in garment printing (published trade articles): 15 to 25 from
    vertical."""
    lines = [line.split(",") for line in TINY["prints.csv"].splitlines()]
    at = lines[0].index("squeegee_shore_a")
    written = ["squeegee_angle_deg", "75", "20", ""]
    prints = "\n".join(
        ",".join([*line[:at], angle, *line[at:]])
        for line, angle in zip(lines, written, strict=True)
    )
    checked = read(tmp_path, prints=prints + "\n")
    np.testing.assert_array_equal(checked.shop.prints["squeegee_angle_deg"], [15.0, 20.0, np.nan])
    assert [one for one in checked.warnings if "squeegee" in one] == [
        "prints.csv: 1 squeegee angle above 45 taken as measured from the mesh: 75 as 15 degrees "
        "from vertical."
    ]


def test_off_contact_in_inches_is_read_so(tmp_path):
    """An inch is 25.4 mm (ISO 31-1: 1992, from memory); an eighth of it is a usual gap."""
    lines = [line.split(",") for line in TINY["prints.csv"].splitlines()]
    at = lines[0].index("squeegee_shore_a")
    written = ["off_contact_mm", "0.125", "3", "0"]
    prints = "\n".join(
        ",".join([*line[:at], gap, *line[at:]]) for line, gap in zip(lines, written, strict=True)
    )
    checked = read(tmp_path, prints=prints + "\n")
    np.testing.assert_allclose(checked.shop.prints["off_contact_mm"], [3.175, 3.0, 0.0])
    assert [one for one in checked.warnings if "off-contact" in one] == [
        "prints.csv: 1 off-contact distance under 0.3 taken as inches: 0.125 as 3.17 mm."
    ]
