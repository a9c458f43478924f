"""The page of a report is well-formed XML and sound HTML, with every drawing in it. Python 3, standard library only.

page_xml_test.py WRITE_PAGE
"""
import html.parser
import subprocess
import sys
import xml.etree.ElementTree as tree

XHTML, SVG = "{http://www.w3.org/1999/xhtml}", "{http://www.w3.org/2000/svg}"
VOID = {"meta", "br", "hr", "img", "input", "link"}
FORBIDDEN = {"script", "iframe", "object", "embed", "link", "img", "base", "form", "foreignObject"}


class Nesting(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.wrong = [], []

    def handle_starttag(self, tag, attributes):
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag not in VOID and (not self.open or self.open.pop() != tag):
            self.wrong.append((tag, self.getpos()))


def check(program, kind):
    page = subprocess.run([program, kind], check=True, stdout=subprocess.PIPE).stdout.decode("utf-8")
    faults = []
    root = tree.fromstring(page)
    if root.tag != XHTML + "html":
        faults.append(f"the root is {root.tag}")
    for element in root.iter():
        name = element.tag.split("}")[-1]
        if name in FORBIDDEN:
            faults.append(f"an element <{name}>")
        faults += [f"<{name} {key}>" for key in element.attrib if key.startswith("on") or key in ("href", "src")]
    drawings = [e for e in root.iter(SVG + "svg")]
    # The night, four windows, two items.
    if len(drawings) != 7:
        faults.append(f"{len(drawings)} drawings")
    for drawing in drawings:
        tree.fromstring(tree.tostring(drawing))
        texts = [e.text for e in drawing.iter(SVG + "text")]
        if len(texts) < 6 or not all(texts):
            faults.append(f"a drawing with the texts {texts}")
    nesting = Nesting()
    nesting.feed(page)
    if nesting.open or nesting.wrong:
        faults.append(f"HTML nesting: open {nesting.open}, wrong {nesting.wrong}")
    if kind == "hostile" and "alert(1)" not in "".join(root.itertext()):
        faults.append("the hostile text is not shown as text")
    return [f"{kind}: {fault}" for fault in faults]


found = check(sys.argv[1], "full") + check(sys.argv[1], "hostile")
print("\n".join(found))
sys.exit(1 if found else 0)
