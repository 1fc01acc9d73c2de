"""The sheet of today over the history: states, void sign-offs, and signatures that show what came after them."""

import msgspec

from metrepost.points.model import Book, Waiver
from metrepost.points.sheet import sheet, sign
from support_points import point, tried

X, Y = point("gauge.x"), point("gauge.y", place="unit 1, input 12")
MEAN = point("gauge.d", derived=True)
LATER = "2026-11-26T08:00:00Z"


def book(*records):
    return Book(line="core-3", records=records)


def states(points, *records):
    return [row.state for row in sheet("core-3", points, book(*records)).rows]


def waived(of):
    return Waiver(point=of, at=LATER, by="Kim", remark="no gauge yet")


def test_the_last_word_on_a_point_counts():
    good, bad = tried(X), tried(X, value=4.9)
    assert states([X, Y, MEAN], good) == ["pass", "open", "derived"]
    assert states([X], good, bad) == ["fail"]
    assert states([X], bad, good) == ["pass"]
    assert states([X], bad, waived(X)) == ["waived"]
    assert states([X], waived(X), bad) == ["fail"]


def test_a_point_wired_otherwise_is_void_whatever_it_was_and_says_why():
    other = msgspec.structs.replace(X, scale=0.001)
    for record in (tried(X), tried(X, value=4.9), waived(X)):
        (row,) = sheet("core-3", [other], book(record)).rows
        assert (row.state, row.changed) == ("void", ("scale was 0.0001, is 0.001",))
    assert states([other], tried(X), tried(other)) == ["pass"]
    assert states([X], tried(X), tried(other)) == ["void"]


def test_a_row_has_the_value_then_and_now():
    (row,) = sheet("core-3", [X], book(tried(X, value=4.799), waived(X), tried(X, value=4.802))).rows
    assert (row.before.value, row.last.value, row.trials) == (4.799, 4.802, 2)


def test_tags_that_are_gone_are_named():
    assert sheet("core-3", [X], book(tried(X), tried(Y))).gone == ("gauge.y",)


def signed(*records, points=(X, MEAN), by="Robin"):
    before = book(*records)
    signature = sign(points, before, by=by, at=LATER)
    return msgspec.structs.replace(before, records=(*records, signature))


def broken(now, points=(X, MEAN)):
    return sheet("core-3", points, now).broken


def test_a_signature_holds_until_something_changes():
    assert broken(signed(tried(X))) == ()
    assert sheet("core-3", [X, MEAN], signed(tried(X))).signature.by == "Robin"


def test_a_signature_shows_every_edit_of_what_was_signed():
    whole = signed(tried(X), waived(X), tried(X, value=4.802))
    for number, record in enumerate(whole.records[:-1]):
        for edit in ({"by": "Somebody"}, {"at": "2027-01-01T00:00:00Z"}, {"remark": "other"}):
            records = list(whole.records)
            records[number] = msgspec.structs.replace(record, **edit)
            assert "edited" in broken(book(*records))[0]
    without = whole.records[1:]
    assert "edited" in broken(book(*without))[0]
    for edit in ({"by": "Somebody"}, {"at": "2027-01-01T00:00:00Z"}, {"remark": "other"}):
        last = msgspec.structs.replace(whole.records[-1], **edit)
        assert "edited" in broken(book(*whole.records[:-1], last))[0]
    assert "edited" in broken(msgspec.structs.replace(whole, line="core-4"))[0]


def test_an_edit_beneath_an_older_signature_shows_too():
    first = signed(tried(X))
    again = signed(*first.records, by="Sam")
    assert broken(again) == ()
    records = list(again.records)
    records[0] = msgspec.structs.replace(records[0], by="Somebody")
    assert len(broken(book(*records))) == 2


def test_what_comes_after_a_signature_shows():
    whole = signed(tried(X))
    assert "1 trial" in broken(msgspec.structs.replace(whole, records=(*whole.records, tried(X))))[0]
    assert "wired otherwise" in broken(whole, [X, Y, MEAN])[0]
    assert "wired otherwise" in broken(whole, [msgspec.structs.replace(X, offset=1.0), MEAN])[0]
    assert "wired otherwise" in broken(whole, [X])[0]


def test_a_history_survives_the_file():
    whole = signed(tried(X), waived(X), tried(X, value=float("nan"), quality="bad"))
    again = msgspec.json.decode(msgspec.json.encode(whole), type=Book)
    assert again == whole
    assert broken(again) == ()
