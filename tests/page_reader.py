"""Takes a page apart by Python's own HTML parser: its tags in order, and its texts as a reader sees them."""

from html.parser import HTMLParser

UNSEEN = {"style", "title", "script"}
VOID = {"meta", "link", "col", "br", "img"}


class Page(HTMLParser):
    """``tags`` are (tag, names of its attributes); ``texts`` those of the body, without what a sheet hides."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.texts, self.headings, self.attributes = [], [], [], []
        self._open, self._unseen = [], 0
        self.feed(html)
        self.close()
        assert not self._open, f"never closed: {self._open}"

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, tuple(name for name, _ in attributes)))
        self.attributes.append((tag, dict(attributes)))
        if tag in VOID:
            return
        hidden = tag in UNSEEN or ("class", "skip") in attributes
        self._open.append((tag, hidden))
        self._unseen += hidden
        if tag in ("h1", "h2", "h3", "h4", "h5", "h6"):
            self.headings.append([int(tag[1]), ""])

    def handle_endtag(self, tag):
        opened, hidden = self._open.pop()
        assert opened == tag, f"<{opened}> is closed by </{tag}>"
        self._unseen -= hidden

    def handle_startendtag(self, tag, attributes):
        self.tags.append((tag, tuple(name for name, _ in attributes)))

    def handle_data(self, data):
        if self._unseen:
            return
        if data.strip():
            self.texts.append(" ".join(data.split()))
        if self._open and self._open[-1][0] in ("h1", "h2", "h3", "h4"):
            self.headings[-1][1] += " ".join(data.split())

    @property
    def text(self):
        return " ".join(self.texts)
