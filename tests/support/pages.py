"""A page as a browser reads it: what is amiss in its HTML, what it says, what its forms would send.

The rules are those of the WHATWG HTML standard: void elements (13.1.2), ids that are unique
(3.2.6), labels that lead to a control (4.10.4), how the entries of a form are made (4.10.21.4).
"""

from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import urlencode

FORM = "application/x-www-form-urlencoded"
AS_BROWSERS_ASK = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"
VOID = {"br", "hr", "img", "input", "link", "meta"}
UNSEEN = {"head", "style", "script", "title"}
WITH_ADDRESSES = {"href", "src", "action", "formaction", "data", "poster", "srcset"}


@dataclass
class Form:
    """Where a form goes, and what stands in it: name -> values that can be sent."""

    method: str
    action: str
    hidden: dict[str, str] = field(default_factory=dict)
    radios: dict[str, list[str]] = field(default_factory=dict)
    boxes: dict[str, str] = field(default_factory=dict)
    lists: dict[str, list[str]] = field(default_factory=dict)
    buttons: int = 0

    def take(self, kind: str, name: str, value: str) -> list[str]:
        """Note a control; of a kind that the pages do not use that it is amiss."""
        match kind:
            case "hidden":
                self.hidden[name] = value
            case "radio":
                self.radios.setdefault(name, []).append(value)
            case "checkbox":
                self.boxes[name] = value
            case "select":
                self.lists[name] = []
            case "option":
                list(self.lists.values())[-1].append(value)
            case "submit":
                self.buttons += 1
            case _:
                return [f"a control of the kind {kind}"]
        return []

    def body(self, *ticked: str, **chosen: str) -> str:
        """What a browser sends when this was chosen and ticked; only what is there can be."""
        entries = dict(self.hidden)
        entries |= {name: values[0] for name, values in self.lists.items()}
        for name, value in chosen.items():
            assert value in self.radios.get(name, []) + self.lists.get(name, []), (name, value)
            entries[name] = value
        entries |= {name: self.boxes[name] for name in ticked}
        return urlencode(entries)


class Page(HTMLParser):
    """One page; `amiss` names what no browser should have to mend."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.amiss: list[str] = []
        self.language = ""
        self.title = ""
        self.text = ""
        self.style = ""
        self.headings: list[str] = []
        self.alerts: list[str] = []
        self.forms: list[Form] = []
        self.links: list[str] = []
        self.elements: list[str] = []
        self._open: list[tuple[str, dict[str, str]]] = []
        self._ids: list[str] = []
        self._labels: list[str] = []
        self._controls: list[str] = []
        if not html.startswith("<!DOCTYPE html>"):
            self.amiss.append("no doctype")
        self.feed(html)
        self.close()
        self._judge()

    def form(self, tail: str) -> Form:
        """The one form whose address ends so."""
        [found] = [form for form in self.forms if form.action.endswith(tail)]
        return found

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if len(told) != len(attrs):
            self.amiss.append(f"<{tag}> has an attribute twice")
        self.elements.append(tag)
        self.amiss += [f"<{tag} {name}>" for name in told if name.startswith("on")]
        self.amiss += [f"<{tag} style>"] if "style" in told else []
        self.links += [value for name, value in told.items() if name in WITH_ADDRESSES]
        self._ids += [told["id"]] if "id" in told else []
        if tag == "html":
            self.language = told.get("lang", "")
        self._note_control(tag, told)
        if tag not in VOID:
            self._open.append((tag, told))

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open[-1][0] != tag:
            self.amiss.append(f"</{tag}> in {[name for name, _ in self._open]}")
            return
        self._open.pop()

    def handle_data(self, data: str) -> None:
        tags = [name for name, _ in self._open]
        if "title" in tags:
            self.title += data
        if "style" in tags:
            self.style += data
        if UNSEEN & set(tags):
            return
        self.text += data
        if tags and tags[-1] in {"h1", "h2", "legend"}:
            self.headings.append(data.strip())
        if any(told.get("role") == "alert" for _, told in self._open):
            self.alerts.append(data.strip())

    def _note_control(self, tag: str, told: dict[str, str]) -> None:
        if tag == "form":
            self.forms.append(Form(told.get("method", "get"), told.get("action", "")))
        if tag == "label":
            self._labels.append(told.get("for", ""))
        if tag in {"input", "select", "option", "button"}:
            kind = told.get("type", tag)
            self.amiss += self.forms[-1].take(kind, told.get("name", ""), told.get("value", ""))
            if kind in {"radio", "checkbox", "select"}:
                self._controls.append(told.get("id", ""))

    def _judge(self) -> None:
        self.amiss += [f"<{name}> is not closed" for name, _ in self._open]
        self.amiss += [f"id {one} twice" for one in set(self._ids) if self._ids.count(one) > 1]
        self.amiss += [f"label for {one}" for one in self._labels if one not in self._controls]
        self.amiss += [f"no label: {one}" for one in self._controls if one not in self._labels]
        if self.elements.count("h1") != 1 or not self.headings[0]:
            self.amiss.append("not one first heading")
        if not self.language or not self.title.strip():
            self.amiss.append("no language or no title")
        self.amiss += [f"{form.action}: no button" for form in self.forms if form.buttons != 1]
        self.amiss += [f"<{one}>" for one in ("script", "iframe", "img") if one in self.elements]
        self.amiss += [
            one for one in self.links if not one.startswith(("/", "tel:+")) or "//" in one
        ]


def page_of(answer: Any) -> Page:
    """The page of an answer, with nothing amiss."""
    assert answer.headers["Content-Type"] == "text/html; charset=utf-8", answer.content[:200]
    page = Page(answer.content.decode())
    assert page.amiss == []
    return page
