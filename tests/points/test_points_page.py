"""The page to be printed: every text escaped, nothing fetched, no script; and the CSV."""

import csv
import io
from html.parser import HTMLParser

from metrepost.points.model import Book, Waiver
from metrepost.points.page import as_html
from metrepost.points.sheet import sheet, sign
from metrepost.points.table import COLUMNS, write_csv
from metrepost.points.words import NO_SAFETY
from support_points import point, tried

EVIL = "<script>alert('1')</script>&\"'><img src=x onerror=1>"
VOID = {"meta", "br", "img", "link"}
KNOWN = {
    "html",
    "head",
    "meta",
    "title",
    "style",
    "body",
    "h1",
    "p",
    "strong",
    "table",
    "thead",
    "tbody",
    "tr",
    "th",
    "td",
    "div",
}


class Page(HTMLParser):
    """Tags and texts; asserts that what opens is closed in order."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.attributes, self.rows, self.text = [], [], [], [], ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.text += data
        if self.open and self.open[-1] in ("td", "th"):
            self.rows[-1][-1] += data


def whole():
    points = [point("gauge.x", valid_low=0.5, valid_high=20.0), point("gauge.y"), point("plc.z", place=EVIL), point("plc.w")]
    wired = point("gauge.y", scale=0.001)
    book = Book(
        line="core-3",
        records=(
            tried(points[0], remark=EVIL, by=EVIL[:60]),
            tried(wired),
            Waiver(point=points[2], at="2026-11-25T09:00:00Z", by="Kim", remark="not <yet>"),
        ),
    )
    signature = sign(points, book, by=EVIL[:40], at="2026-11-25T10:00:00Z", remark=EVIL)
    book = Book(line="core-3", records=(*book.records, signature, tried(points[3], value=5.0), tried(point("old.tag"))))
    return sheet("northmere/extrusion/core-3", points, book)


def test_the_page_is_sound_escaped_and_self_contained():
    text = as_html(whole(), "2026-11-25T11:00:00Z")
    page = Page(text)
    assert set(page.tags) <= KNOWN
    assert set(page.attributes) <= {"lang", "charset", "name", "content", "scope", "colspan", "class"}
    assert "url(" not in text
    assert "@import" not in text
    assert page.text.count(EVIL) == 4  # name, remark, source and words at the signature, as they were written


def test_the_page_says_what_the_sheet_says():
    sheet_now = whole()
    page = Page(as_html(sheet_now, "2026-11-25T11:00:00Z"))
    head, _, x, y, _, z, w = page.rows
    assert (head[0], head[9]) == ("Point", "Result")
    assert (x[0], x[3:10]) == ("x", ["mm", "0.5 … 20", "4.8", "4.801", "+0.001", "± 0.01", "pass"])
    assert "input 10" in x[1]
    assert x[2] == "× 0.0001"
    assert y[9] == "VOID"
    assert "scale was 0.001, is 0.0001" in y[11]
    assert (z[9], w[9]) == ("waived", "FAIL")
    assert "waived: not <yet>" in z[11]
    assert NO_SAFETY in page.text
    assert sheet_now.signature.hash in page.text
    assert "does not hold today" in page.text
    assert "old.tag" in page.text
    assert "4 points: 1 pass, 1 fail, 1 waived, 1 void" in page.text


def test_the_trial_before_stands_beside_the_last_with_its_verdict():
    book = Book(line="core-3", records=(tried(value=4.9), tried()))
    row = Page(as_html(sheet("a/b/c", [point()], book), "now")).rows[2]
    assert (row[9], row[11]) == ("pass", "before: 4.9 for 4.8 (fail), 2026-11-25T08:00Z")


def test_an_empty_sheet_is_a_page():
    assert "not signed" in Page(as_html(sheet("a/b/c", [], Book(line="c")), "now")).text


def test_the_csv_has_numbers_in_full_and_texts_as_they_are():
    out = io.StringIO(newline="")
    write_csv(whole(), out)
    rows = list(csv.DictReader(io.StringIO(out.getvalue(), newline="")))
    assert tuple(rows[0]) == COLUMNS
    x, y, z, w = rows
    assert (float(x["value"]), float(x["difference"]), x["state"], x["remark"]) == (4.801, 4.801 - 4.8, "pass", EVIL)
    assert (y["state"], y["changed"]) == ("void", "scale was 0.001, is 0.0001")
    assert (z["state"], z["value"], z["remark"]) == ("waived", "", "not <yet>")
    assert (w["state"], w["reason"]) == ("fail", "off by +0.2, allowed is 0.01")
