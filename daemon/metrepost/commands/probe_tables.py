"""What `metrepost probe` found, as tables for people and as CSV."""

import csv
import io
import math

import typer
from rich.console import Console
from rich.table import Table

from ..endpoints.contract import Probed

_COLUMNS = ("tag", "raw", "value", "unit", "quality", "round_trip", "reason")
_DECODINGS = ("tag", "raw", "type", "word_order", "byte_order", "value", "unit", "sensible", "configured")


def show(results: list[Probed], *, decodings: bool) -> None:
    """One row a tag; then, when asked for, a table of decodings for each tag that has them, and the advice last."""
    table = Table(box=None, pad_edge=False)
    for column in ("tag", "raw", "value", "unit", "quality", "round trip", "reason"):
        right = column in ("value", "round trip")
        table.add_column(column, justify="right" if right else "left", overflow="fold")
    for p in results:
        trip = f"{p.round_trip * 1000:.1f} ms" if p.round_trip == p.round_trip else ""
        table.add_row(p.tag, p.raw, _number(p.value), p.unit, p.quality, trip, p.reason)
    console = Console()
    console.print(table)
    if not decodings:
        return
    tried = [p for p in results if "decodings" in p.detail]
    for p in tried:
        console.print(_decodings(p))
    for p in tried:
        if p.detail["advice"]:
            typer.echo(p.detail["advice"])
    if not tried:
        typer.echo("no decodings: no number was read from a Modbus register")


def _decodings(p: Probed) -> Table:
    table = Table(box=None, pad_edge=False, title=f"\n{p.tag}  {p.raw}", title_justify="left", title_style="bold")
    for column in ("type", "word order", "byte order", "value", "unit", "", ""):
        table.add_column(column, justify="right" if column == "value" else "left", overflow="fold")
    for d in p.detail["decodings"]:
        word = "" if d.type in ("int16", "uint16") else d.word_order
        marks = "sensible" if d.sensible else "", "configured" if d.configured else ""
        table.add_row(d.type, word, d.byte_order, _number(d.value), p.unit, *marks)
    return table


def _number(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.6g}"


def as_csv(results: list[Probed], *, decodings: bool) -> str:
    """RFC 4180 with a header; numbers in full, round trip in seconds. With `decodings` one row for each decoding of each tag."""
    text = io.StringIO()
    rows = csv.writer(text)
    rows.writerow(_DECODINGS if decodings else _COLUMNS)
    for p in results:
        if decodings:
            for d in p.detail.get("decodings", []):
                orders = d.type, d.word_order, d.byte_order
                rows.writerow([p.tag, p.raw, *orders, _full(d.value), p.unit, _truth(d.sensible), _truth(d.configured)])
        else:
            rows.writerow([p.tag, p.raw, _full(p.value), p.unit, p.quality, _full(p.round_trip), p.reason])
    return text.getvalue()


def _full(value: float) -> str:
    return "" if math.isnan(value) else repr(value)


def _truth(value: bool) -> str:
    return "true" if value else "false"
