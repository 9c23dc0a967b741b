"""Papers read back by libraries that did not make them: pypdfium2 for the PDF, html.parser for its twin."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pypdfium2
import pytest
from papers.papers_result import result_folder

from surfscan import cli
from surfscan.core.message import Weight
from surfscan.core.units import MM
from surfscan.judge.reasons import in_order, reason, sentence_of
from surfscan.papers.blocks import Text, Verdict
from surfscan.papers.content import Pictures, compose
from surfscan.papers.folder import write_report
from surfscan.papers.particulars import Particulars, measured_how
from surfscan.papers.seal import seal_result
from surfscan.papers.verifying import verify_report
from surfscan.results.stored import load_result

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"
BY = Particulars(date="2026-03-04", checked_by="R. Example", job_number="1042")


def pages(path: Path) -> list[str]:
    with pypdfium2.PdfDocument(path) as document:
        return [page.get_textpage().get_text_range().replace("\r\n", " ") for page in document]


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.hidden = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.hidden = tag in ("style", "script")
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if not self.hidden:
            self.text.append(data)


def twin(path: Path) -> _Words:
    reader = _Words()
    reader.feed(path.read_text(encoding="utf-8"))
    return reader


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One result with its report; tests that change it work on a copy."""
    out = result_folder(tmp_path_factory.mktemp("papers"))
    write_report(out, BY)
    return out


@pytest.fixture
def copy(folder: Path, tmp_path: Path) -> Path:
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    return tmp_path


def test_page_one_serves_the_counter_and_the_rest_the_inspector(folder: Path) -> None:
    text = pages(folder / "report.pdf")
    document = json.loads((folder / "result.json").read_text())
    first, rest = text[0], " ".join(text[1:])
    for words in ("door, lower half", "REWORK", "2026-03-04", "R. Example", "1042", "Signature", "primer"):
        assert words in first
    assert document["sentence"] in first
    assert f"{document['spots'][0]['peak_mm']:+.3f}" in first
    assert "licensed people" in first
    for words in (
        "FLTt",
        "ISO 12781-1",
        "Decision" if "Decision" in rest else "decision rule",
        "JCGM 106",
        "SHA-256",
    ):
        assert words in rest
    assert seal_result(load_result(folder), folder).digest in rest
    assert (folder / "report.pdf").stat().st_size < 3_000_000  # the issue's own limit


def _from_photos(out: Path, job: Path) -> None:
    """Photos, cameras and board put into a result of a map, as a check of photos writes them."""
    document = json.loads((out / "result.json").read_text())
    document["run"].pop("map")
    rows = []
    for k, name in enumerate(("stripes-across.jpg", "stripes-up.jpg")):
        data = (JOBS / "flat" / name).read_bytes()
        (job / name).write_bytes(data)
        digest = hashlib.sha256(data).hexdigest()
        row = {
            "file": name,
            "sha256": digest,
            "focal_px": 2655.4,
            "reprojection_px": 0.2,
            "taken": "2026:03:04",
        }
        rows.append({**row, "camera_mm": [10.0 * k, -600.0, 700.0]})
    document["photos"] = rows
    document["setup"] = {
        "board": {
            "centre_mm": [0.0, 573.6, 819.2],
            "across": [1.0, 0.0, 0.0],
            "up": [0.0, -0.8191, 0.5736],
            "size_mm": [1500.0, 1300.0],
        }
    }
    (out / "result.json").write_text(json.dumps(document))


def test_what_doubts_the_set_up_stands_right_under_the_verdict(folder: Path) -> None:
    doubt = reason("setup-suspect-angle", Weight.DOUBT, by_deg=5.0, axis="lean", rivals="")
    note = reason("setup-by-tape")
    result = load_result(folder)
    result = replace(result, findings=in_order([*result.findings, note, doubt]), reasons=())
    blocks = compose(result, Particulars(date="2026-03-04"), pictures=Pictures(), digest="0" * 64)
    at = next(k for k, block in enumerate(blocks) if isinstance(block, Verdict))
    assert blocks[at + 1] == Text(sentence_of(doubt))
    assert [block for block in blocks if isinstance(block, Text)].count(Text(sentence_of(doubt))) == 1


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_clean_panel_takes_two_pages(tmp_path: Path, paper: str) -> None:
    """From a map, and from photos with the set-up's drawing and the photos without marks."""
    out = result_folder(tmp_path, lows_mm=())
    write_report(out, BY, paper=paper)
    assert len(pages(out / "report.pdf")) == 2
    job = tmp_path / "job"
    job.mkdir()
    _from_photos(out, job)
    write_report(out, replace(BY, shop="Corner body shop", vehicle="grey van"), paper=paper, photos=job)
    text = pages(out / "report.pdf")
    assert len(text) == 2
    assert "FAIR" in text[0]
    assert "The photos without marks: stripes-across.jpg, stripes-up.jpg" in text[0]
    assert "board" in text[1].split("From the side")[1]  # it stands in the drawing
    assert verify_report(out).differences == ()
    (out / "photos.jpg").write_bytes(b"another")
    assert "photos.jpg was changed" in verify_report(out).differences


def test_only_the_photos_that_were_measured_go_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, job = result_folder(tmp_path, lows_mm=()), tmp_path / "job"
    job.mkdir()
    assert cli.main(["report", str(out), "--photos", str(job)]) == 3
    assert "made from no photos" in capsys.readouterr().err
    _from_photos(out, job)
    (job / "stripes-up.jpg").write_bytes((job / "stripes-up.jpg").read_bytes() + b"\0")
    assert cli.main(["report", str(out), "--photos", str(job)]) == 3
    said = capsys.readouterr().err
    assert "stripes-up.jpg of the result is not in" in said
    assert "no file with the bytes that were measured" in said
    assert not (out / "report.pdf").exists()


def test_many_spots_take_more_pages_and_none_is_lost(tmp_path: Path) -> None:
    out = result_folder(tmp_path, lows_mm=(0.1,) * 5)
    document = json.loads((out / "result.json").read_text())
    document["spots"] = [{**document["spots"][0], "id": k} for k in range(1, 61)]
    (out / "result.json").write_text(json.dumps(document))
    write_report(out, BY)
    text = " ".join(pages(out / "report.pdf"))
    assert all(f" {k} ▼ low" in f" {text}" for k in range(1, 61))


def test_the_twin_says_the_same_and_fetches_nothing(folder: Path) -> None:
    reader = twin(folder / "report.html")
    said = " ".join(" ".join(reader.text).split())
    pdf = " ".join(" ".join(pages(folder / "report.pdf")).split())
    document = json.loads((folder / "result.json").read_text())
    for words in (document["sentence"], document["spots"][0]["action"], "R. Example", document["rule"]):
        assert words in said
        assert "".join(words.split()) in "".join(pdf.split())
    for tag, attributes in reader.tags:
        for name in ("src", "href", "data", "srcset"):
            value = attributes.get(name)
            assert value is None or value.startswith("data:image/"), (tag, value)
        if tag == "img":
            assert attributes["alt"]


def test_inches_on_every_line(tmp_path: Path) -> None:
    out = result_folder(tmp_path)
    write_report(out, Particulars(date="2026-03-04", units="inch"), paper="letter")
    text = " ".join(pages(out / "report.pdf"))
    assert "filler no deeper than 1/4 in" in text
    document = json.loads((out / "result.json").read_text())
    assert f"{document['spots'][0]['peak_mm'] / 25.4:+.4f}" in text
    left = [w for w in text.split(" mm")[:-1] if not w.endswith(("y up in", "grid"))]
    # The picture's scale, the settings and the instrument's own uncertainty stay metric and say so.
    assert all(w.split()[-1] in ("in", "uncertainty", "0.002", "grid", "period") for w in left), left


def test_the_same_result_gives_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    made = datetime.fromisoformat(json.loads((folder / "seal.json").read_text())["report"]["created"])
    write_report(folder, BY, out=tmp_path / "again", created=made)
    for name in ("report.pdf", "report.html", "seal.json"):
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes()
    assert verify_report(tmp_path / "again").differences == ()


def test_two_dates_differ_only_by_the_date(folder: Path, tmp_path: Path) -> None:
    write_report(
        folder, Particulars(date="2027-03-04", checked_by="R. Example", job_number="1042"), out=tmp_path
    )
    one, two = (p / "report.html" for p in (folder, tmp_path))
    assert one.read_text().replace("2026-03-04", "2027-03-04") == two.read_text()
    assert [t.replace("2026-03-04", "2027-03-04") for t in pages(folder / "report.pdf")] == pages(
        tmp_path / "report.pdf"
    )


def test_letters_of_other_languages_are_printed(tmp_path: Path) -> None:
    out = result_folder(tmp_path, name="Tür links <b>&amp; Дверь ≤ 1")
    write_report(out, Particulars(date="4. März", checked_by="Žofie O'Brien & Søn"))
    text = pages(out / "report.pdf")[0]
    assert "Tür links <b>&amp; Дверь ≤ 1" in text
    assert "Žofie O'Brien & Søn" in text
    assert "Tür links <b>&amp; Дверь ≤ 1" in " ".join(twin(out / "report.html").text)


def change_verdict(folder: Path) -> None:
    document = json.loads((folder / "result.json").read_text())
    document["verdict"] = "ready"
    (folder / "result.json").write_text(json.dumps(document))


def change_depth(folder: Path) -> None:
    document = json.loads((folder / "result.json").read_text())
    document["spots"][0]["peak_mm"] += 1e-9
    (folder / "result.json").write_text(json.dumps(document))


def change_map(folder: Path) -> None:
    with np.load(folder / "height.npz") as stored:
        arrays = {name: stored[name].copy() for name in stored.files}
    arrays["height_mm"][40, 60] += 1e-6
    np.savez(folder / "height.npz", **arrays)


def change_picture(folder: Path) -> None:
    data = bytearray((folder / "overlay.png").read_bytes())
    data[-20] ^= 1
    (folder / "overlay.png").write_bytes(data)


def change_twin(folder: Path) -> None:
    path = folder / "report.html"
    path.write_text(path.read_text().replace("REWORK", "FAIR"))


def change_pdf(folder: Path) -> None:
    with (folder / "report.pdf").open("ab") as file:
        file.write(b"% more\n")


def change_seal(folder: Path) -> None:
    path = folder / "seal.json"
    seal = json.loads(path.read_text())
    seal["digest"] = "0" * 64
    path.write_text(json.dumps(seal))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (change_verdict, "result.json: verdict was changed"),
        (change_depth, "result.json: spots was changed"),
        (change_map, "height.npz: height_mm was changed"),
        (change_picture, "overlay.png was changed"),
        (change_twin, "report.html was changed after it was made"),
        (change_pdf, "report.pdf was changed after it was made"),
        (change_seal, "its digest is not that of its parts"),
        (lambda folder: (folder / "map.png").unlink(), "map.png is missing"),
        (lambda folder: (folder / "gloss.png").write_bytes(b"another"), "gloss.png was changed"),
        (lambda folder: (folder / "report.pdf").unlink(), "report.pdf is missing"),
    ],
)
def test_every_change_is_named(
    copy: Path, capsys: pytest.CaptureFixture[str], change: object, said: str
) -> None:
    assert cli.main(["verify", str(copy)]) == 0
    assert callable(change)
    change(copy)
    assert cli.main(["verify", str(copy)]) == 3
    assert said in capsys.readouterr().out


def test_a_result_laid_out_otherwise_keeps_its_seal(copy: Path) -> None:
    path = copy / "result.json"
    path.write_text(json.dumps(json.loads(path.read_text())))
    assert verify_report(copy).differences == ()


def test_a_whole_folder_swapped_is_caught_by_the_printed_digest(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = seal_result(load_result(folder), folder).digest[:12].upper()
    assert cli.main(["verify", str(folder), "--digest", printed]) == 0
    other = result_folder(tmp_path, lows_mm=())
    write_report(other, BY)
    assert cli.main(["verify", str(other), "--digest", printed]) == 3
    assert "printed digest" in capsys.readouterr().out


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"digest": 1}', "null", '{"parts": {}, "report": {}, "digest": ""}']
)
def test_a_damaged_seal_is_a_sentence(copy: Path, capsys: pytest.CaptureFixture[str], text: str) -> None:
    (copy / "seal.json").write_text(text)
    assert cli.main(["verify", str(copy)]) == 3
    assert "seal.json is damaged" in capsys.readouterr().err


def test_wrong_use_is_a_sentence(tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["verify", str(tmp_path)]) == 3
    assert "no seal.json" in capsys.readouterr().err
    assert cli.main(["verify", str(folder), "--digest", "xyz"]) == 2
    assert cli.main(["report", str(tmp_path)]) == 3
    assert "result.json cannot be read" in capsys.readouterr().err
    assert cli.main(["report", str(folder), "--checked-by", "a\nb", "--out", str(tmp_path / "r")]) == 2
    assert not (tmp_path / "r").exists()
    assert (
        cli.main(["report", str(folder), "--date", "2026-03-04", "--out", str(tmp_path / "r"), "--json"]) == 0
    )
    files = json.loads(capsys.readouterr().out)["files"]
    assert [Path(f).name for f in files] == ["report.html", "report.pdf", "seal.json"]


def test_a_report_without_pictures_still_stands(copy: Path) -> None:
    (copy / "overlay.png").write_bytes(b"no picture")
    (copy / "map.png").unlink()
    write_report(copy, BY)
    assert "REWORK" in pages(copy / "report.pdf")[0]


def test_the_picture_in_gloss_is_on_the_inspectors_page_and_goes_with_its_result(copy: Path) -> None:
    text = pages(copy / "report.pdf")
    assert "In gloss" not in text[0]
    assert "faults at true size" in " ".join(text[1:])
    assert (copy / "gloss.png").is_file()
    # Another result in the same folder, of which nothing was measured: the old picture must not stay.
    document = json.loads((copy / "result.json").read_text())
    document["verdict"] = "not_measured"
    (copy / "result.json").write_text(json.dumps(document))
    write_report(copy, BY)
    assert not (copy / "gloss.png").exists()
    assert "In gloss" not in " ".join(pages(copy / "report.pdf"))
    assert verify_report(copy).differences == ()


def test_the_pdf_says_when_it_was_made_and_how_many_pages_it_has(folder: Path, tmp_path: Path) -> None:
    made = datetime(2026, 3, 4, 15, 16, 17, tzinfo=UTC)
    write_report(folder, BY, out=tmp_path, created=made)
    with pypdfium2.PdfDocument(tmp_path / "report.pdf") as document:
        assert document.get_metadata_dict()["CreationDate"].startswith("D:20260304151617")
    assert json.loads((tmp_path / "seal.json").read_text())["report"]["created"] == made.isoformat()
    text = pages(tmp_path / "report.pdf")
    assert all(f"page {k} of {len(text)}" in " ".join(one.split()) for k, one in enumerate(text, 1))
    assert verify_report(tmp_path).differences == ()


def test_whose_what_and_when_are_printed_where_they_are_given_and_left_out_where_not(
    folder: Path, tmp_path: Path
) -> None:
    text = pages(folder / "report.pdf")[0]
    assert "Shop" not in text
    assert "Vehicle" not in text
    assert "Photos taken" in text
    assert "not stated" in text or "a map measured elsewhere" in text
    given = replace(BY, shop="Corner body shop", vehicle="grey van, left rear door", shot_by="Sam")
    write_report(folder, given, out=tmp_path)
    text = pages(tmp_path / "report.pdf")[0]
    for word in ("Corner body shop", "grey van, left rear door", "Sam", "Not looked for: pinholes"):
        assert word in text


@pytest.mark.parametrize(
    ("details", "said"),
    [
        ({"setup": {"board": {"pattern": "stripes"}}}, "typed into the job sheet"),
        ({"setup": {"board": {"pattern": "stripes"}}}, "Scale by tape, not cross-checked."),
        ({"setup": {"file": "setup.jpg"}}, "set-up photo setup.jpg"),
        ({"setup": {"mirrored_in": ["a.jpg", "b.jpg"]}}, "mirrored by the panel in 2 photos"),
        (
            {"setup": {"file": "a.jpg"}, "unseen": {"share": 0.12, "part": "upper left", "photos": []}},
            "Not seen yet: 12 % of the panel, most of it upper left.",
        ),
        ({"setup": {"lamps_mm": [[0, 0, 900]]}}, "Lamps: their places"),
        (
            {"setup": {"board": {}}, "mirror_check": {"sentence": "4 mirrored tags agree."}},
            "Cross-checked: 4 mirrored tags agree.",
        ),
        (
            {"setup": {"file": "a.jpg"}, "uncertainty": {"inputs": {"board_centre_mm": 3.0, "lamp_mm": 5.0}}},
            "Standard uncertainties: board's middle 3 mm.",
        ),
    ],
)
def test_how_the_set_up_was_measured(details: dict, said: str) -> None:
    (_, text) = measured_how(SimpleNamespace(details=details), MM)
    assert said in text.text
    assert ("not cross-checked" in text.text) == ("mirror_check" not in details)
    assert measured_how(SimpleNamespace(details={}), MM) == []


def test_archives_find_title_maker_and_date_and_every_font(folder: Path) -> None:
    """The XMP packet is well-formed XML (ISO 16684-1) with what the document's properties say; all fonts are inside."""
    data = (folder / "report.pdf").read_bytes()
    with pypdfium2.PdfDocument(data) as document:
        told = document.get_metadata_dict()
    packet = data[data.index(b"<x:xmpmeta") : data.index(b"</x:xmpmeta>") + len(b"</x:xmpmeta>")]
    root = ElementTree.fromstring(packet)
    words = {element.tag.rpartition("}")[2]: (element.text or "").strip() for element in root.iter()}
    texts = [element.text for element in root.iter() if element.tag.endswith("}li")]
    assert texts == [told["Title"], "surfscan"]
    created = json.loads((folder / "seal.json").read_text())["report"]["created"]
    assert words["CreateDate"] == created
    assert told["CreationDate"].startswith("D:" + created[:19].translate(str.maketrans("", "", "-T:")))
    assert b"Helvetica" not in data  # a font that viewers bring themselves, so not inside
    assert data.count(b"/FontFile2") >= 2
