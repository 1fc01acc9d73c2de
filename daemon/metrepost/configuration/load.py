"""Loading a line: the line file and all it names, checked as a whole, every fault told at once."""

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec

from ..line.plan import LinePlan, ProductPlan
from .axis import resolve_axis, resolve_state, resolve_stretches, resolve_take_up
from .computed import check_product_options, resolve_computed
from .difference import what_stands_in
from .document import read_document
from .doors import resolve_doors
from .faults import Faults
from .lookup import Lookup
from .overrides import OVERRIDE, merged, overrides_of
from .people import resolve_mqtt, resolve_notify
from .pieces import take_apart
from .plan import LoadedLine
from .points import resolve_endpoints
from .products import resolve_products
from .rollups import product_limits, resolve_rollups
from .rule_sets import Kinds, check_rules, known_kinds, read_rules
from .secrets import SecretStore
from .stations import resolve_stations
from .tags import resolve_tags


def load_line(
    path: Path,
    *,
    rules_dirs: Sequence[Path] = (),
    environ: Mapping[str, str] = os.environ,
    kinds: Kinds | None = None,
    over: Mapping[str, Any] | None = None,
) -> LoadedLine:
    """Load a line file. Raises ConfigurationError with every fault of every file.

    `over` is laid on the line file's [override] tables, for a trial of other settings. `rules_dirs` are looked in for rule files
    before the usual places; `kinds` are the rule kinds, those of this installation when left out.
    """
    faults = Faults()
    document = read_document(path, faults)
    if document is None:
        faults.raise_any()
    assert document is not None
    if over:
        written = document.data.get(OVERRIDE)
        document.data[OVERRIDE] = merged(written if isinstance(written, dict) else {}, over)
    pieces = take_apart(document)
    pieces.files.insert(0, path)
    secrets = SecretStore(environ, path.parent)

    measured = resolve_tags(pieces)
    tags, computed = resolve_computed(pieces, measured)
    lookup = Lookup(pieces, tags)
    endpoints = resolve_endpoints(pieces, tags, secrets)
    axis = resolve_axis(pieces, lookup)
    products = resolve_products(pieces, lookup)
    if products is not None:
        check_product_options(pieces, computed, products.products)
    take_up = resolve_take_up(pieces, lookup)
    state = resolve_state(pieces, lookup)
    stretches = resolve_stretches(pieces)
    rollups = resolve_rollups(pieces, lookup)
    mqtt = resolve_mqtt(pieces, secrets)

    line = pieces.line
    plan = LinePlan(
        plant=line.plant if line else "-",
        area=line.area if line else "-",
        name=line.name if line else "-",
        stations=resolve_stations(pieces),
        tags=tags,
        product=products or ProductPlan({}),
        axis=axis,
        state=state,
        take_up=take_up,
        stretches=stretches,
        computed=computed,
        rollups=rollups,
    )
    # rules are built only on a whole axis and whole products: what they would miss else follows from faults told already
    has_axis = axis is not None and "length" not in pieces.patched
    whole = products is not None and (has_axis or "length" not in document.data)
    written, refused = read_rules(pieces, rules_dirs, known_kinds() if kinds is None else kinds)
    check_rules(written, refused, pieces, lookup, plan if whole else None)
    rules = tuple((rule.name, rule.settings) for rule in written)
    notify = resolve_notify(pieces, secrets, rules)
    doors = resolve_doors(pieces)
    faults.raise_any()

    assert mqtt is not None
    limits = product_limits(rules, plan.product, tags)
    return LoadedLine(
        plan=msgspec.structs.replace(plan, rollups=msgspec.structs.replace(rollups, limits=limits)),
        endpoints=endpoints,
        rules=rules,
        mqtt=mqtt,
        notify=notify,
        doors=doors,
        files=tuple(pieces.files),
        secret_files=tuple(secrets.files),
        written={str(file): what_stands_in(file, faults.texts[file]) for file in pieces.files},
        overridden=tuple((name, tuple(table)) for name, table in overrides_of(document).items()),
    )
