"""The set sheet: what the ledger holds, in HTML and in PDF alike, and it calls for nothing."""

from __future__ import annotations

import io
import re
from html.parser import HTMLParser

import pytest
from pypdf import PdfReader

from stopwise.cli import run
from stopwise.handover.document import Document, Picture, Rows, Section, Words, html_of, pdf_of
from stopwise.record import record_from_json
from support.kept_day import keep_day


class Told(HTMLParser):
    """What an HTML file says, without its style, and what it calls for."""

    def __init__(self, text):
        super().__init__()
        self.words, self.called, self._style = [], [], False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self._style = tag in ("style", "script")
        self.called += [value for key, value in attrs if key in ("src", "href")]

    def handle_endtag(self, _tag):
        self._style = False

    def handle_data(self, data):
        if not self._style:
            self.words.append(data)


def plain(words):
    """Return words with every run of white space as one space, for pages break lines elsewhere."""
    return re.sub(r"\s+", " ", words)


def written(document):
    """Return what each form of a document says."""
    pdf = PdfReader(io.BytesIO(pdf_of(document)))
    return {
        "html": plain(" ".join(Told(html_of(document).decode()).words)),
        "pdf": plain(" ".join(page.extract_text() for page in pdf.pages)),
    }


@pytest.fixture(scope="module")
def day(tmp_path_factory, sample_records):
    """Return a folder with the ledger of the sample day and its sheet in both forms."""
    folder = tmp_path_factory.mktemp("day")
    ledger = keep_day(folder / "day.sqlite", sample_records)
    for out in ("sheet.html", "sheet.pdf"):
        assert run(["sheet", "--ledger", str(ledger), "--out", str(folder / out)]) == 0
    return folder


@pytest.fixture(scope="module")
def told(day):
    pdf = PdfReader(day / "sheet.pdf")
    return {
        "html": plain(" ".join(Told((day / "sheet.html").read_text(encoding="utf-8")).words)),
        "pdf": plain(" ".join(page.extract_text() for page in pdf.pages)),
    }


FORMS = ("html", "pdf")


@pytest.mark.parametrize("form", FORMS)
def test_a_frame_off_plan_stands_there_with_the_words_of_its_record(told, form, sample_records):
    off = [record_from_json(row) for row in sample_records.values() if row["verdict"] == "off plan"]
    assert len(off) > 6
    missing = [
        record.file
        for record in off
        if any(plain(one) not in told[form] for one in record.headline)
    ]
    assert missing == []


@pytest.mark.parametrize("form", FORMS)
def test_dials_stand_as_planned_as_said_and_as_read(told, form):
    """Said was key -0.3, fill +0.2: the plan has them at -2.0 and -4.5, and nobody turned them."""
    assert re.search(r"\bkey -2\.0 -2\.3 -2\.0 ± 0\.0\d, in F\d+", told[form])
    assert re.search(r"\bfill -4\.5 -4\.3 -4\.5 ± 0\.0\d, in F\d+", told[form])


@pytest.mark.parametrize("form", FORMS)
def test_the_light_can_be_set_up_from_it(told, form):
    step = "Key: snoot, 60° to camera right, 35° up, 1.80 m from the face, set to -2.0."
    assert step in told[form]
    assert re.search(
        r"Its dial: -2\.0 ± 0\.0\d as read, -2\.3 as said\.",
        told[form],
    )
    assert (
        "Key reads otherwise than was said. Look at its dial, say it: stopwise take" in told[form]
    )
    assert "Camera to ISO 100, f/11, 1/160." in told[form]
    assert "Hair lamp hangs over the sitter: have everyone out from under it first" in told[form]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("word", ["capacitors", "hot", "safety cable", "Mains", "eyes"])
def test_the_cautions_stand_on_it(told, form, word):
    assert word in told[form]


@pytest.mark.parametrize("form", FORMS)
def test_takes_say_what_was_turned(told, form):
    assert "key -0.3, fill +0.2" in told[form]


@pytest.mark.parametrize("form", FORMS)
def test_what_ran_stands_there_as_run_says_it(told, form, day, capsys):
    run(["run", "--ledger", str(day / "day.sqlite"), "--take", "2"])
    ran = re.findall(
        r"^ {2}(\w[\w ]*?) {2,}(-|-?\d\.\d+) +(\d\.\d+) +([-+]?\d\.\d+) +\d+ *(\d*)$",
        capsys.readouterr().out.partition("look upright")[0],  # one frame, which is no run
        re.MULTILINE,
    )
    assert len(ran) == 12
    rows = [" ".join(cells).strip() for cells in ran]
    assert [row for row in rows if row not in told[form]] == []


def test_the_file_holds_its_pictures_and_calls_for_nothing(day):
    called = Told((day / "sheet.html").read_text(encoding="utf-8")).called
    assert len(called) >= 4  # floor, adopted frame, lamps, patches
    assert [one[:40] for one in called if not one.startswith("data:image/")] == []


def test_only_the_chosen_frames_are_told_of(day, capsys):
    out = day / "part.html"
    chosen = ["--frames", "F0009.dng..F0010.dng", "--out", str(out)]
    assert run(["sheet", "--ledger", str(day / "day.sqlite"), *chosen]) == 0
    words = plain(" ".join(Told(out.read_text(encoding="utf-8")).words))
    assert "2 frames: 2 off plan" in words
    assert "F0015.dng" not in words
    assert run(["sheet", "--ledger", str(day / "day.sqlite"), "--take", "2", "--check"]) == 1
    assert "F0009.dng..F0021.dng" not in capsys.readouterr().out


HOSTILE = '<script>alert(1)</script> & "key" \u202eevil'
DOCUMENT = Document(
    title="Мастерская, 名前, عنوان",
    line=HOSTILE,
    sections=(
        Section("Words", (Words(("first", "second"), numbered=True), Words((HOSTILE,)))),
        Section(
            "Rows",
            (Rows(("name", "figure"), (("long " * 80, "1"), (HOSTILE, "2")) * 30, (5, 1)),),
        ),
    ),
)


def test_whatever_things_are_called_they_are_text():
    html = html_of(DOCUMENT).decode()
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html


@pytest.mark.parametrize("form", FORMS)
def test_a_document_says_all_that_it_holds(form):
    words = written(DOCUMENT)[form]
    assert words.count("alert(1)") == 32
    assert re.search(r"first.*second", words)


@pytest.mark.parametrize("paper", [("A4", 210.0, 297.0), ("Letter", 215.9, 279.4)])
def test_the_paper_is_that_which_was_asked_for(paper):
    """Sizes in millimetres: ISO 216 and ANSI/ASME Y14.1 (from memory)."""
    name, width, height = paper
    page = PdfReader(io.BytesIO(pdf_of(DOCUMENT, paper=name))).pages[0].mediabox
    assert float(page.width) / 72 * 25.4 == pytest.approx(width, abs=0.1)
    assert float(page.height) / 72 * 25.4 == pytest.approx(height, abs=0.1)


def test_no_heading_is_left_alone_at_the_foot_of_a_page():
    from PIL import Image

    drawn = io.BytesIO()
    Image.new("RGB", (300, 200)).save(drawn, "PNG")
    picture = Picture(drawn.getvalue(), "image/png", "shown below")
    for lines in (*range(22, 30), *range(44, 50)):
        filled = Section("Filled", (Words(("line",) * lines),))
        document = Document("Title", "", (filled, Section("Heading", (picture,))))
        pages = [page.extract_text() for page in PdfReader(io.BytesIO(pdf_of(document))).pages]
        assert ["shown below" in page for page in pages] == ["Heading" in page for page in pages]
