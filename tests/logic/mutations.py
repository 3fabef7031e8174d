"""Sound programs made wrong: tokens and letters lost, doubled, swapped and replaced."""

from __future__ import annotations

import random
import re
from pathlib import Path

HERE = Path(__file__).parent
FILES = sorted((HERE / "programs").glob("*.st"))
INNERMOST = re.compile(r"\(\*(?:(?!\(\*|\*\)).)*\*\)|//[^\n]*|\{[^}]*\}", re.DOTALL)
TOKEN = re.compile(
    r"""'(?:\$.|[^'$])*'|"(?:\$.|[^"$])*"|%\w[\w.]*\*?|\w+\#[-+]?[\w.:\-\#]+|\d[\d_]*\.\d[\d_]*(?:[eE][-+]?\d+)?|\w+|
    :=|=>|<=|>=|<>|\*\*|\.\.|\S""",
    re.VERBOSE,
)
_EXTRA = """
    PROGRAM END_PROGRAM FUNCTION_BLOCK END_FUNCTION_BLOCK FUNCTION END_FUNCTION VAR VAR_INPUT
    VAR_OUTPUT VAR_IN_OUT VAR_TEMP VAR_GLOBAL VAR_EXTERNAL CONSTANT RETAIN END_VAR TYPE END_TYPE
    STRUCT END_STRUCT ARRAY OF STRING WSTRING IF THEN ELSIF ELSE END_IF CASE END_CASE FOR TO BY DO
    END_FOR WHILE END_WHILE REPEAT UNTIL END_REPEAT EXIT CONTINUE RETURN STEP INITIAL_STEP
    END_STEP TRANSITION FROM END_TRANSITION ACTION END_ACTION CONFIGURATION RESOURCE TASK WITH :=
    => : ; , . .. ( ) [ ] + - * / ** < <> = # & ^ @ % NOT AND OR XOR MOD TRUE FALSE T#5s INT#5
    16#FF 1.5 0 1 -1 100000 'x' "x" (* *) { } // x P INT REAL BOOL BYTE TIME DINT TON %IX0.0 %QW1
    D#2024-01-01 LREAL#1.0E300 999999999999999999999 2#11 ADD SEL MUX CONCAT SQRT REAL_TO_INT
    TO_BCD TRUNC EN ENO S R P0 SD PRIORITY R_EDGE SINT STRING_TO_INT THIS REF_TO
    """
EXTRA = _EXTRA.split()
_OPERATORS = "+ - * / = <> < > <= >= & **"
OPERATORS = _OPERATORS.split()


def tokens(text: str) -> list[str]:
    """The words and marks of a text without its comments."""
    while INNERMOST.search(text):
        text = INNERMOST.sub(" ", text)
    return TOKEN.findall(text)


def joined(words: list[str]) -> str:
    """A text of these tokens, a few on a line."""
    return "\n".join(" ".join(words[i : i + 8]) for i in range(0, len(words), 8))


def mutant(rng: random.Random) -> str:
    """One of the sound programs with a few mistakes in it."""
    text = rng.choice(FILES).read_text(encoding="utf-8")
    if rng.random() < 0.15:
        return letters(text, rng)
    words = tokens(text)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        mutate(words, rng)
    return joined(words)


def mutate(words: list[str], rng: random.Random) -> None:
    """One mistake."""
    if len(words) < 2:
        return
    at, other = rng.randrange(len(words)), rng.randrange(len(words))
    kind = rng.randrange(11)
    if kind == 0:
        del words[at]
    elif kind == 1:
        words.insert(at, words[at])
    elif kind == 2:
        words[at], words[other] = words[other], words[at]
    elif kind == 3:
        words[at] = rng.choice(EXTRA)
    elif kind == 4:
        words.insert(at, rng.choice(EXTRA))
    elif kind == 5:
        words[at] = words[other]
    elif kind == 6:  # a run of tokens is lost or doubled
        end = at + rng.randint(2, 30)
        words[at:end] = words[at:end] * rng.choice((0, 2))
    elif kind > 7:  # another word of the same sort: often still a program
        alike = [word for word in words if sort(word) == sort(words[at])]
        words[at] = rng.choice(alike)
    else:
        neighbour = min(at + 1, len(words) - 1)
        words[at], words[neighbour] = words[neighbour], words[at]


def sort(word: str) -> str:
    """Which tokens can stand for which: names, keywords, numbers, marks of one kind."""
    if word.isupper() and len(word) > 1:
        return "keyword"
    if word[0].isalpha():
        return "literal" if "#" in word else "name"
    if word[0].isdigit():
        return "number"
    return (
        "operator"
        if word in ["+", "-", "*", "/", "=", "<>", "<", ">", "<=", ">=", "&", "**"]
        else word[0]
    )


def letters(text: str, rng: random.Random) -> str:
    """Letters lost, doubled, changed; or the text cut off."""
    if rng.random() < 0.3:
        return text[: rng.randrange(len(text))]
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(text))
        new = rng.choice(("", text[at] * 2, rng.choice("'\"(){}*/#$;:.=0eE_\n\0é€ \t")))
        text = text[:at] + new + text[at + 1 :]
    return text


def nonsense(rng: random.Random) -> str:
    """Tokens in any order, with a program around them more often than not."""
    words = [rng.choice(EXTRA) for _ in range(rng.randint(1, 60))]
    text = " ".join(words)
    shape = rng.randrange(4)
    if shape == 0:
        return text
    if shape == 1:
        return f"PROGRAM P VAR {text} END_VAR END_PROGRAM"
    if shape == 2:
        return f"PROGRAM P VAR x : INT; b : BOOL; t : TON; END_VAR {text} END_PROGRAM"
    return f"PROGRAM P VAR x : INT; END_VAR INITIAL_STEP A: {text} END_STEP END_PROGRAM"
