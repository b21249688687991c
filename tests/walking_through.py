"""Walks through the pages of the app as a browser would: their links, forms, pictures, and the elements they are of."""

from collections import Counter
from html.parser import HTMLParser
from urllib.parse import urljoin, urlsplit

from starlette.routing import Match


class Page(HTMLParser):
    """Elements with the names of their attributes, links and forms of a page, and its text."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.elements = Counter()
        self.links, self.pictures, self.forms = [], [], []
        self.attributes = []
        self.words = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements[tag, tuple(sorted(name for name, _ in attrs))] += 1
        self.attributes += attrs
        known = dict(attrs)
        if tag in ("a", "link") and known.get("href"):
            self.links.append(known["href"])
        if tag in ("img", "script") and known.get("src"):
            self.pictures.append(known["src"])
        if tag == "form":
            self.forms.append((known.get("method", "get"), known.get("action", "")))

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return "".join(self.words)


def crawl(visitor, start="/", most=400, leave_out=("/pages/",)):
    """Every page that links lead to from ``start``: address to its parsed page. Fails where one leads nowhere.

    Addresses with one of ``leave_out`` in them are not asked.
    """
    found, waiting = {}, [start]
    while waiting and len(found) < most:
        address = waiting.pop()
        answer = visitor.get(address)
        assert answer.status_code == 200, (address, answer.status_code, answer.text[-500:])
        if not answer.headers["content-type"].startswith("text/html"):
            found[address] = None
            continue
        parsed = found[address] = Page(answer.text)
        for link in [*parsed.links, *parsed.pictures]:
            target = urljoin(str(answer.url), link)
            parts = urlsplit(target)
            near = parts.path + (f"?{parts.query}" if parts.query else "")
            here = parts.netloc == urlsplit(str(answer.url)).netloc
            if here and not any(part in near for part in leave_out) and near not in found and near not in waiting:
                waiting.append(near)
    return found


def form_leads_somewhere(app, page_address, method, action):
    """Whether a route takes the form that stands on this page."""
    path = urlsplit(urljoin(page_address, action)).path
    scope = {"type": "http", "method": method.upper(), "path": path, "root_path": "", "headers": []}
    return any(route.matches(scope)[0] == Match.FULL for route in app.routes)
