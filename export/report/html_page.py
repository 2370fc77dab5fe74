"""A page of HTML with everything inside it and nothing to load: its frame, its style, the cautions at its
top.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

SIMULATED = (
    "Captures behind this page were made by a virtual rig. Its figures say what the method can do; "
    "they say nothing yet of a product."
)


# A browser is told that the page loads nothing and runs nothing: its styles and pictures stand in it.
POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
_MARKUP = "&<>\"'"
_SHIELDS = {
    ord(c): chr(0xE000 + k) for k, c in enumerate(_MARKUP)
}  # of the private use area, which no text has
_ENTITIES = {0xE000 + k: escape(c) for k, c in enumerate(_MARKUP)}
_NO_SHIELDS = dict.fromkeys(_ENTITIES, "\ufffd")


def shielded(facts: Any) -> Any:
    """The facts with what could be markup in their texts, keys too, put as characters that ``page`` turns into
    entities: wherever such a text lands on the page, it stays text.
    """
    if isinstance(facts, str):
        return facts.translate(_NO_SHIELDS).translate(_SHIELDS)
    if isinstance(facts, Mapping):
        return {shielded(key): shielded(value) for key, value in facts.items()}
    return [shielded(value) for value in facts] if isinstance(facts, list | tuple) else facts


def page(title: str, parts: Sequence[str]) -> str:
    """The whole page; ``title`` is text, ``parts`` are ready-made."""
    head = (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<title>{escape(title)}</title>\n'
    )
    head += f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
    head += (
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n<meta '
        'name="color-scheme" content="light dark">\n'
    )
    whole = (
        head
        + f"<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(parts)
        + "\n</main>\n</body>\n</html>\n"
    )
    return whole.translate(_ENTITIES)


def origin_said(origin: str) -> str:
    """'simulated' or 'partly simulated'; empty for measured readings."""
    return "" if origin == "measured" else origin


def heading(name: str, origin: str) -> str:
    """The page's heading, with the origin where the readings were not measured."""
    return f"<h1>{escape(name)}{f' <small>{escape(origin)} readings</small>' if origin else ''}</h1>"


def cautions(caution: str, origin: str) -> list[str]:
    """What the estimate is not, and what simulated readings don't say."""
    paragraphs = [f"<p class=caution><strong>Caution.</strong> {escape(caution)}</p>"]
    return paragraphs + (
        [f"<p class=caution><strong>{escape(origin.capitalize())} readings.</strong> {SIMULATED}</p>"]
        if origin
        else []
    )


_STYLE = """
:root{--ink:#1b2733;--soft:#5a6b7b;--line:#d5dde4;--paper:#fff;--tint:#f3f6f9;--blue:#17699e;--warn:#8a4b00;--warnbg:#fff6e6;--bad:#a3231f;--good:#1c6b3c}
@media screen and (prefers-color-scheme:dark){:root{--ink:#e3e9ee;--soft:#9fb0bf;--line:#3a4754;--paper:#141b22;--tint:#1d2630;--blue:#6cb8ea;--warn:#f2c078;
--warnbg:#33270f;--bad:#ff8f87;--good:#7fd6a2}}
body{margin:0;overflow-wrap:break-word;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,"Segoe UI",Roboto,"Helvetica Neue",Arial,sans-serif}
main{max-width:60rem;margin:0 auto;padding:2.5rem 1.25rem 4rem}
h1{font-size:1.9rem;line-height:1.2;margin:0}h2{font-size:1.2rem;margin:2.4rem 0 .6rem}
.sub{color:var(--soft);margin:.3rem 0 1.4rem}
.caution{background:var(--warnbg);border-left:4px solid var(--warn);padding:.7rem 1rem;margin:1rem 0;font-size:.93rem}
.caution ul{margin:.3rem 0 0;padding-left:1.2rem}
.wide{overflow-x:auto}.wide+.wide{margin-top:1rem}table{border-collapse:collapse;width:100%;font-size:.93rem}
th,td{text-align:left;vertical-align:top;padding:.4rem .55rem;border-bottom:1px solid var(--line)}th{color:var(--soft);font-weight:600}
.n{text-align:right;font-variant-numeric:tabular-nums}.one{white-space:nowrap}.long{min-width:13rem}code{font-size:.88em;overflow-wrap:anywhere}
figure{margin:1rem 0}figcaption{color:var(--soft);font-size:.88rem;margin-top:.3rem}
svg{display:block;width:100%;min-width:40rem;height:auto}.picture{background:#fff;border-radius:.3rem}.picture svg{min-width:46rem}
svg text{fill:var(--soft);font-size:12px;font-family:inherit}.grid{stroke:var(--line)}.zero{stroke:var(--soft)}.mark{stroke:var(--blue);fill:var(--blue)}
.hollow{stroke:var(--blue);fill:var(--paper)}.front{stroke:var(--blue);fill:none}.worst{stroke:var(--warn)}.shade{fill:var(--line);opacity:.7}
h1 small{font-size:.9rem;font-weight:600;color:var(--warn);white-space:nowrap}
.badge{white-space:nowrap;font-weight:600}.yes{color:var(--good)}.no{color:var(--bad)}.open{color:var(--warn)}
.bar{display:block;min-width:7rem;height:.6rem;margin-top:.45rem;background:var(--line);border-radius:.3rem;overflow:hidden}
details{margin:1rem 0}summary{cursor:pointer;color:var(--blue)}
.bar i{display:block;height:100%;background:var(--blue)}.bar.over i{background:var(--bad)}
.share{display:block;min-width:4rem;padding:0 .3rem .15rem;white-space:nowrap}.share i{display:block;height:.3rem;margin-top:.15rem;background:var(--blue)}
.due{outline:1.5px solid var(--ink);border-radius:.15rem;font-weight:600}
@media screen and (max-width:47rem){figcaption::before{content:"Slide the picture sideways to see all of it. "}}
@media print{body{font-size:10pt}main{max-width:none;padding:0}h2{break-after:avoid;margin-top:1.6rem}tr,figure,.caution{break-inside:avoid}
.wide{overflow:visible}th,td{padding:.2rem .4rem}svg,.picture svg{min-width:0}.long{min-width:0}td:not(:first-child) .one{white-space:normal}
p{orphans:3;widows:3}
.bar,.bar i,.share i{print-color-adjust:exact;-webkit-print-color-adjust:exact}}
"""
