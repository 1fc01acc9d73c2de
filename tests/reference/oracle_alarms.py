"""Alarm states as a line composes them, worked out anew from the text (IEC 62682 / ISA-18.2 states, `daemon/README.md`, `rules/README.md`).

Imports nothing of `metrepost.rules` or `metrepost.alarms`. What goes in is the whole list of what happened, in order, as tuples:

* ``("condition", k, alarm, active, onset)``: a limit's condition began or ended;
* ``("act", k, act)``: somebody acted; ``("tick", k)``: line time went on; ``("restart", k)``.

One alarm is a few flags, none of the product's table: is its condition there, was it seen, is it held by a latch, is it put under a cover.
"""

SHIFT = 8 * 3600.0
"""Longest shelving, seconds."""


class Alarm:
    """One alarm as a person would explain it."""

    def __init__(self, name, *, latch=False, trial=False, because_of=()):
        self.name, self.latch, self.trial, self.because_of = name, latch, trial, because_of
        self.there = self.seen = self.held = self.told = False
        self.cover = ""  # "", "shelved", "suppressed_by_design", "out_of_service"
        self.until, self.one_shot, self.onset = 0.0, False, 0.0

    def state(self):
        """The word for its flags."""
        if self.cover:
            return self.cover
        if self.told and self.there:
            return "acknowledged" if self.seen else "unacknowledged"
        if self.held:
            return "latched_acknowledged" if self.seen else "latched_unacknowledged"
        return "returned_unacknowledged" if self.told and not self.seen else "normal"

    def forget(self):
        """Nothing is left to be said about it."""
        self.told = self.seen = self.held = False


class Plant:
    """All alarms. `told` is ``[(k, alarm, word, state, onset, by)]``, `refused` is ``[(k, act, alarm)]``."""

    def __init__(self, alarms, moments):
        self.alarms = {alarm.name: alarm for alarm in alarms}
        self.moments = moments
        self.told, self.refused = [], []

    def run(self, happened):
        """Take everything that happened, in order."""
        for what, k, *more in happened:
            if what == "condition":
                self.condition(k, *more)
            elif what == "act":
                self.act(k, *more)
            elif what == "tick":
                self.tick(k)

    def tell(self, k, alarm, word, onset, by=""):
        self.told.append((k, alarm.name, word, alarm.state(), onset, by))

    def explained(self, alarm, path=()):
        """An active cause that people know of explains: it is told of, or hidden by a cause for which the same holds."""
        for name in alarm.because_of:
            cause = self.alarms[name]
            if name in path or name == alarm.name or cause.trial or not cause.there:
                continue
            if cause.state() in ("unacknowledged", "acknowledged"):
                return True
            if cause.cover == "suppressed_by_design" and self.explained(cause, (*path, alarm.name)):
                return True
        return False

    def begins(self, k, alarm, onset):
        """Its condition is there, and no cover but suppression keeps it from people."""
        if alarm.state() == "normal" and self.explained(alarm):
            alarm.there, alarm.cover = True, "suppressed_by_design"
            self.tell(k, alarm, "suppressed", onset)
        else:
            alarm.there = alarm.told = True
            alarm.seen = alarm.held = False
            self.tell(k, alarm, "raised", onset)

    def uncover(self, k, alarm, word, onset, by=""):
        """Out from under a cover: normal, and raised anew when its condition is there."""
        there, alarm.there = alarm.there, False
        alarm.cover, alarm.one_shot = "", False
        alarm.forget()
        self.tell(k, alarm, word, onset, by)
        if there:
            self.begins(k, alarm, alarm.onset)

    def condition(self, k, name, active, onset):
        alarm = self.alarms[name]
        if active:
            alarm.onset = onset
            if alarm.cover:
                alarm.there = True
            else:
                self.begins(k, alarm, onset)
        elif alarm.there:
            alarm.there = False
            if not alarm.cover:
                alarm.held = alarm.latch
                if not alarm.latch and alarm.seen:
                    alarm.forget()
                self.tell(k, alarm, "latched" if alarm.latch else "returned", onset)
            elif alarm.cover == "shelved" and alarm.one_shot:
                self.uncover(k, alarm, "unshelved", onset)
        self.settle(k, name)

    def settle(self, k, name):
        """Whoever was hidden because of `name`, directly or through others, nearest first, comes out when nothing explains it."""
        waiting, done = [name], {name}
        while waiting:
            at = waiting.pop(0)
            for alarm in self.alarms.values():
                if at in alarm.because_of and alarm.name not in done:
                    done.add(alarm.name)
                    waiting.append(alarm.name)
                    if alarm.cover == "suppressed_by_design" and not self.explained(alarm):
                        self.uncover(k, alarm, "unsuppressed", self.moments[k].now)

    def act(self, k, act):
        alarm, now = self.alarms.get(act.alarm), self.moments[k].now
        if alarm is None or not self.done(k, alarm, act, now):
            self.refused.append((k, act.act, act.alarm))
            return
        self.settle(k, act.alarm)

    def done(self, k, alarm, act, now):
        """Do what somebody wants; False when it makes no sense."""
        state, by = alarm.state(), act.who
        match act.act:
            case "acknowledge" if not alarm.cover and alarm.told and not alarm.seen:
                alarm.seen = True
                if not alarm.there and not alarm.held:
                    alarm.forget()
                self.tell(k, alarm, "acknowledged", now, by)
            case "reset" if state == "latched_acknowledged":
                alarm.forget()
                self.tell(k, alarm, "reset", now, by)
            case "shelve" if alarm.cover != "out_of_service" and (act.until == 0 or now < act.until <= now + SHIFT):
                alarm.forget()
                alarm.cover, alarm.one_shot, alarm.until = "shelved", act.until == 0, act.until or now + SHIFT
                self.tell(k, alarm, "shelved", now, by)
            case "unshelve" if alarm.cover == "shelved":
                self.uncover(k, alarm, "unshelved", now, by)
            case "out_of_service" if alarm.cover != "out_of_service":
                alarm.forget()
                alarm.cover = "out_of_service"
                self.tell(k, alarm, "out_of_service", now, by)
            case "in_service" if alarm.cover == "out_of_service":
                self.uncover(k, alarm, "in_service", now, by)
            case _:
                return False
        return True

    def tick(self, k):
        now = self.moments[k].now
        for alarm in self.alarms.values():
            if alarm.cover == "shelved" and now >= alarm.until:
                self.uncover(k, alarm, "unshelved", now)
                self.settle(k, alarm.name)
