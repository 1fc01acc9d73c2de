"""People: who is told, when, in which words, and by which channel. The only home of apprise."""

from .channel import UrlError
from .decide import Decider, Message
from .plan import NotifyPlan, Person
from .send import ChannelStatistics, Delivery, Notifier

__all__ = ["ChannelStatistics", "Decider", "Delivery", "Message", "Notifier", "NotifyPlan", "Person", "UrlError"]
