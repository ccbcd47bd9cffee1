"""*Today*: the board of the command, the worst first; a file taken, refused, put back."""

from __future__ import annotations

import re
from io import BytesIO
from urllib.parse import parse_qsl, urlsplit

import pandas as pd

from pipelines.cli import main
from pipelines.desk import today
from pipelines.words.verdict import kind
from tests.desk.conftest import later, text_of

HEAD = "setup_id,job_id,ink_id,substrate_id,mesh_id,strokes,flash_count,target,tolerance_dE00\n"
ROWS = {
    "near": "A1,J1,turquoise,Black,M43-80,1,0,#008c82,50\n",
    "far": 'A2,J2,turquoise,White,M77-55,1,0,"90,40,-60",\n',
    "aimless": "A3,J3,deep red,White,M77-55,1,0,,\n",
}
WEEK = HEAD + "".join(ROWS.values())


def jobs(text: str, name: str = "jobs.csv") -> tuple[BytesIO, str]:
    return BytesIO(text.encode()), name


def test_the_board_is_that_of_the_command(own, tmp_path, capsys):
    assert "No jobs yet" in text_of(own.get("/today/").text)
    assert own.send("/today/jobs", jobs=jobs(WEEK)).status_code == 303
    (tmp_path / "jobs.csv").write_text(WEEK)
    out = str(tmp_path / "a.csv")
    assert (
        main(["--workspace", str(own.root), "predict", str(tmp_path / "jobs.csv"), "--out", out])
        == 0
    )
    table = pd.read_csv(out).set_index("setup_id")
    html = own.get("/today/").text
    names = re.findall(r"<b>(J\d)</b>", html)
    assert names == ["J2", "J3", "J1"]  # the worst first
    verdicts = re.findall(r'class="judged"><span class="verdict (\w+)"', html)
    assert verdicts == [kind(table.loc[one]) for one in ("A2", "A3", "A1")]
    assert (verdicts[0], verdicts[2]) == ("change", "go")


def test_a_long_week_is_a_page_at_a_time(own, monkeypatch):
    monkeypatch.setattr("pipelines.desk.today.A_PAGE", 2)
    more = "".join(ROWS["near"].replace("A1,J1", f"B{i},K{i}") for i in range(2))
    own.send("/today/jobs", jobs=jobs(WEEK + more))
    seen, path = [], "/today/"
    while path:
        html = own.get(path).text
        seen.append(re.findall(r"<b>([JK]\d)</b>", html))
        after = re.search(r'href="([^"]+)">After these', html)
        assert ("Before these" in html) == (len(seen) > 1)
        path = after[1] if after else ""
    assert seen[0] == ["J2", "J3"] and [len(one) for one in seen] == [2, 2, 1]
    assert sorted(name for page in seen for name in page) == ["J1", "J2", "J3", "K0", "K1"]
    assert own.get("/today/?from=900").status_code == 200


def test_what_takes_seconds_comes_later(own):
    own.send("/today/jobs", jobs=jobs(WEEK))
    said = later(own, "/today/")
    assert "Drift" in said and "What to test first" in said
    assert "Nothing came in" not in said  # the small shop was imported just now
    assert "batch 1, import" in said


def test_a_job_leads_to_ask_as_it_stands(own):
    own.send("/today/jobs", jobs=jobs(WEEK))
    html = own.get("/today/").text
    links = [link.replace("&amp;", "&") for link in re.findall(r'href="(/ask/\?[^"]+)"', html)]
    asked = next(link for link in links if "C19" in link and "G02" in link)
    answer = text_of(own.get(asked).text)
    assert "nothing is filled in" in answer
    chance = re.search(
        r"J1 .*?chance ([^.]+?) test|J1 .*?chance (\d+ %|under 1 %|over 99 %)", text_of(html)
    )
    assert (chance[1] or chance[2]) in answer


def test_the_test_print_of_a_job_is_handed_in_as_the_job_has_it(own):
    """Nothing of it is left to what is usual."""
    row = {
        **{"ink_id": "C19", "substrate_id": "G02", "mesh_id": "M43-80", "strokes": 2.0},
        **{"flash_count": 1.0, "underbase_ink_id": "U1", "underbase_mesh_id": "M77-55"},
        **{"underbase_strokes": 3.0, "press_id": "P2", "ink_lot": "C19-L01", "job_id": "J1"},
        **{"squeegee_shore_a": 65.0, "squeegee_angle_deg": 8.0, "off_contact_mm": 3.5},
        "eom_um": 6.0,
    }
    with own.application.test_request_context():
        link = today._measured(row, own.application.extensions["desk"].now())
    given = dict(parse_qsl(urlsplit(link).query))
    assert "<details open>" in own.get(link).text
    looked = own.get(own.send("/measured/look", readings="50,-50,-5", **given).location).text
    assert "Filled in" not in looked
    for said in ("M77-55", "3 strokes", "65 Shore A", "3.5 mm", "6 um"):
        assert said in text_of(looked)


def test_a_wrong_file_is_refused_whole_and_the_one_before_stays(own):
    own.send("/today/jobs", jobs=jobs(WEEK))
    reply = own.send("/today/jobs", jobs=jobs(HEAD + ROWS["near"].replace("Black", "Blakc")))
    assert reply.status_code == 400
    assert "jobs.csv, row 2, column substrate_id" in text_of(reply.text)
    assert "J2" in own.get("/today/").text
    for name in ("jobs.exe", "..", "../../jobs", ""):
        assert own.send("/today/jobs", jobs=jobs(WEEK, name)).status_code == 400
    assert sorted(p.name for p in (own.root / "datasets/s").glob("week*")) == ["week.csv"]


def test_another_file_takes_its_place_and_can_be_put_back(own):
    own.send("/today/jobs", jobs=jobs(WEEK))
    own.send("/today/jobs", jobs=jobs(HEAD + ROWS["aimless"], "other/../next week.csv"))
    assert "J2" not in own.get("/today/").text
    own.send("/today/jobs/back")
    assert "J2" in own.get("/today/").text
    own.send("/today/jobs/back")
    assert "J2" not in own.get("/today/").text


def test_a_file_names_no_file_of_this_computer(own, tmp_path):
    (tmp_path / "chip.csv").write_text("L,a,b\n45,60,30\n")
    text = HEAD + f"A1,J1,turquoise,Black,M43-80,1,0,{tmp_path / 'chip.csv'},\n"
    reply = own.send("/today/jobs", jobs=jobs(text))
    assert reply.status_code == 400 and "is no target" in text_of(reply.text)


def test_a_file_that_somebody_put_there_is_told_where_it_is_wrong(own):
    (own.root / "datasets/s/week.csv").write_text("setup_id,ink_id\nA,\n")
    reply = own.get("/today/")
    assert reply.status_code == 200
    assert "week.csv" in text_of(reply.text) and "Another file of jobs" in text_of(reply.text)
    (own.root / "datasets/s/week.csv").write_text(HEAD + ROWS["near"].replace("J1", "<script>x"))
    assert "<script>x" not in own.get("/today/").text


def test_writing_takes_the_key_of_the_form(own):
    for path in ("/today/jobs", "/today/jobs/back"):
        assert own.post(path, data={"jobs": jobs(WEEK)}).status_code == 403
