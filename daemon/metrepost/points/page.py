"""The sheet as one HTML page to be printed and signed: no script, nothing fetched, every text escaped."""

from collections.abc import Iterator
from html import escape

from .judge import valid_range
from .model import Trial
from .sheet import Row, Sheet
from .words import NO_SAFETY, STATES, notes, number, scaling, signed, signed_number, source, summary

_STYLE = """
@page { size: A4 landscape; margin: 12mm; }
* { box-sizing: border-box; }
body { font: 9pt/1.35 system-ui, "DejaVu Sans", sans-serif; color: #111; background: #fff; margin: 1.2rem; }
h1 { font-size: 15pt; margin: 0 0 .2rem; }
p { margin: .25rem 0; max-width: 75em; }
table { border-collapse: collapse; width: 100%; margin: .8rem 0; }
th, td { border: 1px solid #999; padding: .2rem .35rem; text-align: left; vertical-align: top; overflow-wrap: anywhere; }
thead th { background: #eee; font-weight: 600; overflow-wrap: normal; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
tbody th { font-weight: 600; overflow-wrap: normal; }
tr.station th { background: #f6f6f6; break-after: avoid; }
td.n { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
td.w { white-space: nowrap; }
td.s { white-space: nowrap; font-weight: 600; }
tr.fail td.s, tr.void td.s { background: #fbe3e0; border: 2px solid #8c1d12; }
tr.pass td.s { background: #e6f3e6; }
tr.waived td.s { background: #fff3d0; }
.small { color: #333; font-size: 8pt; }
.broken { border: 2px solid #8c1d12; padding: .3rem .5rem; }
.mono { font-family: ui-monospace, "DejaVu Sans Mono", monospace; font-size: 8pt; overflow-wrap: anywhere; }
.boxes { display: flex; gap: 2rem; margin-top: 1.5rem; break-inside: avoid; }
.boxes div { flex: 1; border-top: 1px solid #111; padding-top: .2rem; margin-top: 2.2rem; }
@media print { body { margin: 0; } * { -webkit-print-color-adjust: exact; print-color-adjust: exact; } }
"""
_HEAD = (
    "Point", "Source and decoding", "Scaling", "Unit", "Valid range", "Reference applied", "Value read", "Difference",
    "Allowed", "Result", "By, when (UTC)", "Remark",
)  # fmt: skip


def as_html(sheet: Sheet, printed: str) -> str:
    """The whole page. `printed` is when it was made (RFC 3339)."""
    return "\n".join(_page(sheet, printed)) + "\n"


def _page(sheet: Sheet, printed: str) -> Iterator[str]:
    title = f"Point sheet, line {sheet.line}"
    yield '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>"
    yield f"<h1>{escape(title)}</h1>"
    yield f"<p>{escape(summary(sheet))}. Printed {escape(printed)}.</p>"
    yield f"<p><strong>{escape(NO_SAFETY)}</strong></p>"
    if wired := {row.point.endpoint: row.point.address for row in sheet.rows if row.point.endpoint}:
        listed = ", ".join(f"{name} at {address}" for name, address in wired.items())
        yield f"<p>Endpoints: {escape(listed)}.</p>"
    yield "<table>\n<thead><tr>" + "".join(f'<th scope="col">{escape(word)}</th>' for word in _HEAD) + "</tr></thead>"
    station = None
    for row in sheet.rows:
        here = row.point.tag.partition(".")[0]
        if here != station:
            yield f"{'</tbody>' if station is not None else ''}<tbody>"
            yield f'<tr class="station"><th colspan="{len(_HEAD)}" scope="rowgroup">{escape(here)}</th></tr>'
            station = here
        yield _row(row)
    yield ("</tbody>" if station is not None else "") + "</table>"
    if sheet.gone:
        yield f"<p>No longer in the line file, but in the history: {escape(', '.join(sheet.gone))}.</p>"
    yield from _signature(sheet)
    yield "</body>\n</html>"


def _row(row: Row) -> str:
    point, last = row.point, row.last
    tried = last if isinstance(last, Trial) else None
    cells = [
        f'<th scope="row">{escape(point.tag.partition(".")[2])}</th>',
        _td(source(point, address=False), "small"),
        _td(scaling(point), "w"),
        _td(point.unit, "w"),
        _td(valid_range(point)),
        _td(number(tried.reference) if tried else "", "n"),
        _td(_read(tried), "n"),
        _td(signed_number(tried.difference) if tried else "", "n"),
        _td(f"± {number(tried.allowed)}" if tried else "", "n"),
        _td(STATES[row.state], "s"),
        _td(f"{last.by}, {last.at[:16].replace('T', ' ')}" if last else "", "small"),
        _td("; ".join(notes(row)), "small"),
    ]
    return f'<tr class="{row.state}">{"".join(cells)}</tr>'


def _read(tried: Trial | None) -> str:
    if tried is None:
        return ""
    return number(tried.value) or "no value"


def _td(text: str, kind: str = "") -> str:
    return f'<td class="{kind}">{escape(text)}</td>' if kind else f"<td>{escape(text)}</td>"


def _signature(sheet: Sheet) -> Iterator[str]:
    if sheet.signature is None:
        yield "<p>The sheet as a whole is not signed.</p>"
    else:
        yield f"<p>The sheet as a whole was {escape(signed(sheet.signature))}.</p>"
        yield f'<p class="mono">SHA-256 of what was signed: {escape(sheet.signature.hash)}</p>'
        if sheet.broken:
            yield f'<p class="broken"><strong>The signature does not hold today:</strong> {escape("; ".join(sheet.broken))}.</p>'
    yield '<div class="boxes"><div>Carried out by</div><div>Checked by</div><div>Taken over by, date</div></div>'
