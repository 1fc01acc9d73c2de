"""Settings shared by the kinds that have one limit: its priority and texts stand in the rule's own table."""

from ..events import Priority
from .contract import LimitText, RuleSettings, SomeLengthOrDuration


class OneLimit(RuleSettings):
    """A rule with one limit. The keys are those of `LimitText`."""

    priority: Priority = "medium"
    cause: str = ""
    consequence: str = ""
    response: str = ""
    respond_within: SomeLengthOrDuration | None = None

    def text(self) -> LimitText:
        """The rationalization record of the one limit."""
        return LimitText(
            priority=self.priority,
            cause=self.cause,
            consequence=self.consequence,
            response=self.response,
            respond_within=self.respond_within,
        )
