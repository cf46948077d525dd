"""The grammar of docs/protocol.md as regular expressions: fast enough to hold every line of a fuzzer against it.

Only what that block uses of RFC 5234 and 7405: rule names, quoted text, %s text, %x values and ranges, groups,
options, alternatives and repetition.  tests/interpreter/test_protocol.py reads the same block with a whole parser.
"""

from __future__ import annotations

import re
from pathlib import Path

DOC = Path(__file__).resolve().parents[2] / "docs" / "protocol.md"
CORE = {"DIGIT": "[0-9]", "ALPHA": "[A-Za-z]", "SP": " ", "DQUOTE": '"', "LF": "\n"}
TOKEN = re.compile(
    r'\s*(?:%s"(?P<exact>[^"]*)"|"(?P<loose>[^"]*)"|%x(?P<code>[0-9A-F]{2})(?:-(?P<to>[0-9A-F]{2}))?'
    r"|(?P<count>[0-9]*\*[0-9]*|[0-9]+)|(?P<name>[A-Za-z]+)|(?P<sign>[()\[\]/]))"
)


def rules() -> dict[str, str]:
    """name -> right-hand side, from the document."""
    block = re.search(r"```abnf\n(.*?)```", DOC.read_text(encoding="utf-8"), re.S)
    assert block, "docs/protocol.md has no grammar"
    found = {}
    for rule in re.split(r"\n(?=\S)", block.group(1)):
        if rule.strip():
            name, _, right = re.sub(r"\s+", " ", rule).partition("=")
            found[name.strip()] = right
    return found


def _repeat(count: str) -> str:
    if "*" not in count:
        return "{%s}" % count
    low, high = count.split("*")
    return "{%s,%s}" % (low or "0", high)


def expression(name: str, all_rules: dict[str, str]) -> str:
    """The regular expression of one rule, with those it names put in their places."""
    if name in CORE:
        return CORE[name]
    text, out, pending, at = all_rules[name].strip(), [], "", 0
    closing: list[str] = []
    while at < len(text):
        token = TOKEN.match(text, at)
        assert token, text[at:]
        at = token.end()
        if token["count"]:
            pending = _repeat(token["count"])
            continue
        if token["sign"] in ("(", "["):
            out.append("(?:")
            closing.append(")" + pending if token["sign"] == "(" else ")?")
        elif token["sign"] in (")", "]"):
            out.append(closing.pop())
        elif token["sign"]:
            out.append("|")
        else:
            if token["name"]:
                part = expression(token["name"], all_rules)
            elif token["code"]:
                part = "[\\x%s-\\x%s]" % (token["code"], token["to"] or token["code"])
            else:
                part = re.escape(token["exact"] if token["exact"] is not None else token["loose"])
            out.append("(?:%s)%s" % (part, pending))
        pending = ""
    return "".join(out)


def compiled(name: str) -> re.Pattern[bytes]:
    """A whole rule of the document as a pattern for `fullmatch`."""
    return re.compile(expression(name, rules()).encode("ascii"))


LINE = compiled("line")
