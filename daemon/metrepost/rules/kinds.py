"""Every rule kind by the word that stands in a rules file."""

from .band import BandSettings
from .bit import BitSettings
from .condition import ConditionSettings
from .contract import RuleSettings
from .count import CountSettings
from .disagree import DisagreeSettings
from .drift import DriftSettings
from .end_of import EndOfSettings
from .flaw import FlawSettings
from .missing import MissingSettings
from .periodic import PeriodicSettings
from .rate import RateSettings
from .stuck import StuckSettings
from .untested import UntestedSettings

KINDS: dict[str, type[RuleSettings]] = {
    "band": BandSettings,
    "flaw": FlawSettings,
    "count": CountSettings,
    "bit": BitSettings,
    "missing": MissingSettings,
    "stuck": StuckSettings,
    "rate": RateSettings,
    "condition": ConditionSettings,
    "drift": DriftSettings,
    "periodic": PeriodicSettings,
    "disagree": DisagreeSettings,
    "untested": UntestedSettings,
    "end_of": EndOfSettings,
}
