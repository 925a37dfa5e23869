"""The one table of keys: bindings, key line and help are all made from it."""

from dataclasses import dataclass
from typing import Literal

Place = Literal["bench", "form", "list", "mounts", "question", "name", "page"]
Moment = Literal["idle", "pull", "verdict", "replay"]

ANY: frozenset[Moment] = frozenset({"idle", "pull", "verdict", "replay"})
LISTS: frozenset[Place] = frozenset({"list", "mounts"})
EVERYWHERE: frozenset[Place] = frozenset({"bench", "form", "list", "mounts", "question", "name", "page"})


@dataclass(frozen=True, slots=True)
class Key:
    """One action: the keys that do it, how they are written, when they apply.

    ``commands``: it tells the bench what to do, and so is only for the screen
    in command; ``watching``: it is only for the others.
    """

    action: str
    keys: tuple[str, ...]
    shown: str
    word: str
    help: str
    places: frozenset[Place]
    moments: frozenset[Moment] = ANY
    in_line: bool = True
    commands: bool = False
    watching: bool = False

    @property
    def tapped(self) -> str:
        """The key that a tap on it stands for: the one that is never taken for text, where there is one."""
        return next((key for key in self.keys if key[0] == "f" and key[1:].isdigit()), self.keys[0])


def _bench(
    action: str,
    keys: tuple[str, ...],
    shown: str,
    word: str,
    text: str,
    moments: frozenset[Moment],
    in_line: bool = True,
) -> Key:
    return Key(action, keys, shown, word, text, frozenset({"bench"}), moments, in_line)


def _command(action: str, keys: tuple[str, ...], shown: str, word: str, text: str) -> Key:
    return Key(action, keys, shown, word, text, frozenset({"bench"}), PULL, commands=True)


def _at(
    place: Place, action: str, keys: tuple[str, ...], shown: str, word: str, text: str, in_line: bool = True
) -> Key:
    return Key(action, keys, shown, word, text, frozenset({place}), ANY, in_line)


# a foot switch sends Enter, Space or Page Down; a keypad sends Enter and its four signs
BIG = ("enter", "space", "pagedown")
IDLE: frozenset[Moment] = frozenset({"idle"})
PULL: frozenset[Moment] = frozenset({"pull"})
VERDICT: frozenset[Moment] = frozenset({"verdict"})
REPLAY: frozenset[Moment] = frozenset({"replay"})
BETWEEN = IDLE | VERDICT

KEYS: tuple[Key, ...] = (
    _command("take", BIG, "Enter", "take",
             "Take this step now, by hand (also Space, Page Down, foot switch). A settled reading is taken by itself."),
    _command("retake", ("r", "asterisk"), "r", "again",
             "Take the step marked ↻ again, else the one marked ?, else the last one; earlier takes are kept. "
             "The arrows choose it, and a point that is out of line is chosen by itself. Keypad *"),
    _command("skip", ("s", "plus"), "s", "skip", "Leave this step or zero check out and go on. Keypad +"),
    _command("back", ("b", "minus"), "b", "back", "Return to the step before. Keypad -"),
    _command("pause", ("p", "slash"), "p", "pause", "Pause, and go on again: nothing is taken meanwhile. Keypad /"),
    _command("range", ("m",), "m", "range", "Say which meter range is in use now"),
    _command("abort", ("x",), "x", "abort", "Abort the pull; asks first, and keeps what was taken"),
    Key("type", tuple("0123456789"), "0-9", "type",
        "Type the value that is asked for: digits go into its field at once, Enter sends, Esc clears. While it holds "
        "text every key goes into it; on an empty field letters and the keypad's signs keep their meaning. A device "
        "that types may send sign, digits, unit and Enter",
        frozenset({"bench"}), PULL, in_line=False, commands=True),
    Key("retype", ("backspace",), "Backsp", "type again", "On an empty field: type the value before again",
        frozenset({"bench"}), PULL, in_line=False, commands=True),
    _bench("choose_up", ("up",), "Up", "step", "Choose an earlier step, to take again or look at",
           PULL | VERDICT, False),
    _bench("choose_down", ("down",), "Down", "step", "Choose a later step, to take again or look at",
           PULL | VERDICT, False),
    Key("take_command", ("c",), "c", "take over", "Put this screen in command of the bench; the others watch",
        frozenset({"bench"}), watching=True),
    _bench("new", (*BIG, "n"), "Enter", "new pull", "Set up a new pull (also n, Space, Page Down, foot switch)", IDLE),
    _bench("next_head", (*BIG, "n", "escape"), "Enter", "next head",
           "Next head with the same set-up (also n, Esc, Space, Page Down, foot switch)", VERDICT),
    _bench("sheet", ("f",), "f", "flow sheet",
           "Write the flow sheet of this head, with its newest pull of the other direction", VERDICT),
    _bench("other_way", ("o",), "o", "other direction", "Same head, other direction of flow", VERDICT),
    _bench("same_again", ("a",), "a", "again", "Same head, same direction once more", VERDICT),
    _bench("evidence", ("h",), "h", "did it hold?", "How the test pressure held in this pull, step by step", VERDICT),
    _bench("templates", ("t",), "t", "templates", "Start from a template", BETWEEN),
    Key("resume", ("u",), "u", "unfinished", "Go on with an unfinished pull", frozenset({"bench"}), BETWEEN,
        commands=True),
    _bench("checks", ("k",), "k", "checks",
           "Check the bench: ready, leakage, reference plate, how well it repeats", BETWEEN),
    _bench("review", ("v",), "v", "look back",
           "Look at a recorded pull again: replay it, go to what was not taken", BETWEEN),
    _bench("stop_or_go", (*BIG, "p"), "Enter", "stop/go", "Stop the replay, and go on (also Space, p)", REPLAY),
    _bench("next_event", ("right", "n"), "n", "next", "Go to what happened next (also Right)", REPLAY),
    _bench("next_doubt", ("r",), "r", "rejected",
           "Go to the next thing that was rejected, refused, left early or marked, with its reason", REPLAY),
    _bench("trace", ("t",), "t", "trace",
           "The last half minute of lift, test pressure and flow over the whole screen, and back", REPLAY),
    _bench("trace", ("t",), "t", "trace",
           "The last half minute of lift, test pressure and flow over the whole screen, and back", PULL, False),
    _bench("events", ("l",), "l", "list", "Everything that happened in this session, to go to", REPLAY),
    _bench("faster", ("up", "plus"), "+", "faster", "Replay faster (also Up)", REPLAY),
    _bench("slower", ("down", "minus"), "-", "slower", "Replay slower (also Down)", REPLAY),
    _bench("previous_event", ("left", "b"), "b", "back", "Go to what happened before (also Left)", REPLAY),
    _bench("leave_replay", ("escape",), "Esc", "leave", "Leave the replay", REPLAY),
    _bench("earlier", ("e",), "e", "earlier pull",
           "Choose the earlier pull that is dotted beneath the curve: same head, other direction, others of its model",
           PULL | VERDICT),
    _bench("from_start", ("home",), "Home", "from the start", "Begin the replay again", REPLAY),
    _bench("instruments", ("i",), "i", "instruments", "Each instrument's state, source and age", ANY),
    _at("form", "begin", ("f2", "ctrl+g"), "F2", "begin", "Begin the pull with what the form says (also Ctrl+G)"),
    _at("form", "form_templates", ("f3", "ctrl+t"), "F3", "templates", "Fill the form from a template (also Ctrl+T)"),
    _at("form", "save_template", ("f4", "ctrl+s"), "F4", "save template",
        "Save set-up, direction, range and schedule as a template (also Ctrl+S)"),
    _at("form", "go_on", ("enter",), "Enter", "go on",
        "Next field; from the identifier on to Begin when the form came filled in, so that a scanner's Enter will do",
        False),
    _at("form", "next_field", ("tab", "down"), "Tab", "next", "Next field (also Down)"),
    _at("form", "previous_field", ("shift+tab", "up"), "Up", "back one", "Previous field (also Shift+Tab)", False),
    _at("form", "change", ("left", "right", "space"), "Left/Right", "choose", "Change a choice (also Space)"),
    _at("list", "pick", ("enter", "space"), "Enter", "pick, 1-9 at once",
        "Pick the marked line; the digits 1 to 9 pick at once"),
    Key("list_up", ("up",), "Up", "up", "Mark the line above", LISTS, in_line=False),
    Key("list_down", ("down",), "Down", "down", "Mark the line below", LISTS, in_line=False),
    _at("mounts", "study", ("enter",), "Enter", "study", "Work out how well the bench repeats, from these mounts"),
    _at("mounts", "new_mount", ("space",), "Space", "new mount", "A new mount begins with the marked pull, or not"),
    _at("mounts", "leave_out", ("delete", "minus"), "Del", "leave out", "Leave the marked pull out, or take it in"),
    _at("question", "yes", ("y",), "y", "yes", "Yes, do it"),
    _at("question", "no", ("n", "enter", "space"), "Enter", "no", "No, leave it as it is"),
    _at("name", "keep", ("enter",), "Enter", "keep", "Keep the name as typed"),
    _at("page", "page_up", ("up", "pageup"), "Up", "higher", "Scroll up (also Page Up)"),
    _at("page", "page_down", ("down", "pagedown"), "Down", "lower", "Scroll down (also Page Down)"),
    Key("close", ("escape",), "Esc", "close", "Leave this page without doing anything",
        frozenset({"form", "list", "mounts", "question", "name", "page"})),
    Key("daylight", ("f6", "d"), "d", "daylight", "Dark screen or bright daylight screen (F6 in a form)",
        EVERYWHERE, in_line=False),
    Key("help", ("question_mark", "f1"), "?", "help", "This help (F1 inside a text)", EVERYWHERE),
    Key("quit", ("ctrl+q",), "Ctrl+Q", "quit", "Close the dashboard: the daemon goes on, and nothing is lost",
        EVERYWHERE, in_line=False),
)  # fmt: skip


def keys_at(place: Place, moment: Moment | None = None, watching: bool | None = None) -> list[Key]:
    """What can be done at a place, at a moment, by a screen that watches or not (None: at any, by either)."""
    return [
        key
        for key in KEYS
        if place in key.places
        and (moment is None or moment in key.moments)
        and (watching is None or (not key.commands if watching else not key.watching))
    ]


def action_for(pressed: str, place: Place, moment: Moment | None = None, watching: bool | None = None) -> str | None:
    """The action of a pressed key, None when it does nothing there."""
    return next((key.action for key in keys_at(place, moment, watching) if pressed in key.keys), None)
