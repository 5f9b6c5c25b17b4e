"""Who may say and hear what at a broker: pure. Mosquitto's files and the broker inside `groundbox log` follow this.

A box speaks under its own name and hears its own commands. This program hears all, and speaks to boxes and people.
"""

import re

ROOT = "groundbox"
COMMAND = "command"  # the topic under a box's name on which this program speaks to it
OUT = "groundbox_host"  # what this program tells people's automations
PROGRAM = "groundbox-program"  # this and the next are longer than a box's name can be
AUTOMATION = "groundbox-automation"
UNFIT = re.compile(r'[/+#:$"\\]')  # in a box's name: would mean more than itself in a topic or a password file


def unfit_name(box: str) -> str | None:
    """What stands in the way of a box's name at a broker; None for nothing."""
    if not re.fullmatch(r"[!-z]{1,16}", box):
        return "wants 1 to 16 plain characters without spaces"
    found = UNFIT.search(box)
    return f"has a {found.group()}, which means something else at a broker; rename the box" if found else None


def own_id(user: str, client_id: str) -> bool:
    """True for a client id of this user's own, so that nobody takes over the connection of another."""
    if user in (PROGRAM, AUTOMATION):
        return client_id.startswith(f"{user}:")
    return client_id == f"groundbox-{user}"


def may_say(user: str, topic: str) -> bool:
    """True when `user` may publish to `topic`."""
    levels = topic.split("/")
    if user == AUTOMATION or "+" in topic or "#" in topic:
        return False
    if user == PROGRAM:
        return levels[0] == OUT or (levels[0] == ROOT and levels[2:] == [COMMAND])
    return levels[0] == ROOT and len(levels) >= 3 and levels[1] == user


def may_hear(user: str, topic_filter: str) -> bool:
    """True when `user` may subscribe to `topic_filter`."""
    if user in (PROGRAM, AUTOMATION):
        return topic_filter.split("/")[0] in (ROOT, OUT)
    return topic_filter == f"{ROOT}/{user}/{COMMAND}"


def mosquitto_rights() -> str:
    """The same as a mosquitto access file."""
    return f"""\
# Every box: speaks under its own name, hears its own commands, nothing else.
pattern write {ROOT}/%u/#
pattern read {ROOT}/%u/{COMMAND}

# This program: hears all, says commands and its own topics.
user {PROGRAM}
topic read {ROOT}/#
topic write {ROOT}/+/{COMMAND}
topic readwrite {OUT}/#

# People's own automations: hear all, say nothing.
user {AUTOMATION}
topic read {ROOT}/#
topic read {OUT}/#
"""
