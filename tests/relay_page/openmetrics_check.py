"""Whether a text is OpenMetrics 1.0.0, checked strictly, from the specification alone.

Source: "OpenMetrics, a cloud-native, highly scalable metrics protocol", version 1.0.0, November 2020: the ABNF of its section "Text
Format", and the rules of "Data Model" and "Metric Types" for the types gauge, counter, info, stateset, summary and unknown
(histograms are refused: nothing of ours has one). Exemplars and timestamps, which are optional, are refused as well.

Usage: openmetrics_check.py FILE; 0 where it is, 1 and the first fault where it is not.
"""
import math
import re
import sys

NAME = re.compile(r"[a-zA-Z_:][a-zA-Z0-9_:]*\Z")
LABEL = re.compile(r"[a-zA-Z_][a-zA-Z0-9_]*\Z")
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\Z")
SPECIAL = re.compile(r"([+-]?inf(inity)?|nan)\Z", re.IGNORECASE)
SUFFIXES = {"gauge": [""], "unknown": [""], "stateset": [""], "counter": ["_total", "_created"], "info": ["_info"],
            "summary": ["", "_count", "_sum", "_created"]}


class Fault(ValueError):
    pass


def need(condition, text):
    if not condition:
        raise Fault(text)


def read_escaped(text, allowed):
    """Undoes backslash escapes; a backslash in front of anything else is a fault."""
    out, i = [], 0
    while i < len(text):
        if text[i] == "\\":
            need(i + 1 < len(text) and text[i + 1] in allowed, f"an escape that does not exist in {text!r}")
            out.append("\n" if text[i + 1] == "n" else text[i + 1])
            i += 2
        else:
            need(text[i] not in '\n"' or '"' not in allowed, f"a quote that is not escaped in {text!r}")
            out.append(text[i])
            i += 1
    return "".join(out)


def read_labels(text):
    """`{a="b",c="d"} rest`: the labels and the rest."""
    labels, at = {}, 1
    while text[at] != "}":
        found = re.compile(r'([^=]*)="((?:[^"\\\n]|\\.)*)"').match(text, at)
        need(found, f"no label at {text[at:]!r}")
        name, value = found.group(1), read_escaped(found.group(2), '\\"n')
        need(LABEL.match(name) and not name.startswith("__"), f"the label name {name!r}")
        need(name not in labels, f"the label {name} twice")
        labels[name] = value
        at = found.end()
        need(at < len(text), "a label set without an end")
        if text[at] == ",":
            at += 1
            need(text[at] != "}", "a comma behind the last label")
        else:
            need(text[at] == "}", f"neither comma nor brace behind a label: {text[at:]!r}")
    return labels, text[at + 1:]


def read_number(text):
    need(NUMBER.match(text) or SPECIAL.match(text), f"{text!r} is no number")
    return float(text)


class Family:
    def __init__(self, name):
        self.name, self.type, self.unit, self.help = name, None, None, None
        self.samples, self.metrics, self.current = [], set(), None

    def describe(self, what, text):
        need(not self.samples, f"a descriptor of {self.name} behind its samples")
        need(getattr(self, what) is None, f"a second {what} of {self.name}")
        if what == "type":
            need(text in SUFFIXES, f"the type {text!r} of {self.name}")
        if what == "unit":
            need(re.match(r"[a-zA-Z0-9_:]+\Z", text) and self.name.endswith("_" + text),
                 f"{self.name} does not end with its unit {text!r}")
        if what == "help":
            text = read_escaped(text, '\\n"')if '"' not in text else text
        setattr(self, what, text)

    def owns(self, name):
        return name in [self.name + suffix for suffix in SUFFIXES[self.type or "unknown"]]

    def take(self, name, labels, value):
        kind, suffix = self.type or "unknown", name[len(self.name):]
        own = dict(labels)
        if kind in ("info", "stateset"):
            need(self.unit is None, f"a unit of {self.name}, which is of type {kind}")
        if kind == "info":
            need(value == 1, f"an info of {value}")
        if kind == "stateset":
            need(self.name in labels, f"a state of {self.name} without its label")
            need(value in (0, 1), f"a state of {value}")
            del own[self.name]
        if kind == "counter" or suffix == "_count":
            need(value >= 0 and not math.isinf(value), f"{name} of {value}")
        if suffix == "_count":
            need(value == int(value), f"{name} of {value}")
        if kind == "summary" and suffix == "":
            need(0 <= read_number(labels.get("quantile", "")) <= 1, f"a quantile of {name}")
            del own["quantile"]
        need("quantile" not in own and "le" not in own, f"a label that {kind} has no use for")
        metric = tuple(sorted(own.items()))
        if metric != self.current:
            need(metric not in self.metrics, f"{self.name}: the samples of {own} do not stand together")
            self.metrics.add(metric)
            self.current = metric
        key = (name, tuple(sorted(labels.items())))
        need(key not in self.samples, f"the sample {name} {labels} twice")
        self.samples.append(key)


def check(data):
    """The families by name. Raises Fault."""
    text = data.decode("utf-8")
    need(text.endswith("# EOF\n"), "it does not end with # EOF and a line feed")
    families, family, taken = {}, None, {}
    for line in text[:-len("# EOF\n")].split("\n")[:-1]:
        need(line and "\r" not in line, "an empty line, or a carriage return")
        if line.startswith("#"):
            parts = line.split(" ", 3)
            need(len(parts) == 4 and parts[0] == "#" and parts[1] in ("TYPE", "UNIT", "HELP"), f"no descriptor: {line!r}")
            name = parts[2]
            need(NAME.match(name), f"the name {name!r}")
            if family is None or family.name != name:
                need(name not in families, f"the family {name} a second time")
                family = families[name] = Family(name)
            family.describe(parts[1].lower(), parts[3])
            continue
        end = min((line.find(c) for c in "{ " if c in line), default=-1)
        need(end > 0, f"no sample: {line!r}")
        name = line[:end]
        need(NAME.match(name), f"the name {name!r}")
        labels, rest = read_labels(line[end:]) if line[end] == "{" else ({}, line[end:])
        need(rest.startswith(" ") and " " not in rest[1:], f"behind the labels: {rest!r}")
        if family is None or not family.owns(name):
            need(family is None or not name.startswith(family.name + "_") or family.type is None,
                 f"{name} is no sample of the {family.type if family else ''} {family.name if family else ''}")
            need(name not in families, f"the family {name} a second time")
            family = families[name] = Family(name)
        need(taken.setdefault(name, family) is family, f"{name} belongs to two families")
        family.take(name, labels, read_number(rest[1:]))
    for family in families.values():
        need(family.samples, f"{family.name} has no sample")
    return families


# Each has one fault.
BAD = ["", "a 1\n", "a 1\n# EOF", "a 1\n\n# EOF\n", "a 1\r\n# EOF\n", "# TYPE a counter\na 1\n# EOF\n", "# TYPE a counter\na_total -1\n# EOF\n",
       "# TYPE a counter\na_total NaN\n# EOF\n", 'a{b="c" 1\n# EOF\n', 'a{b="c",} 1\n# EOF\n', 'a{b="\\x"} 1\n# EOF\n',
       'a{b="1",b="2"} 1\n# EOF\n', "a 1\na 1\n# EOF\n", "# TYPE a gauge\n# UNIT a seconds\na 1\n# EOF\n", "# a comment\na 1\n# EOF\n",
       "# TYPE a info\na_info 2\n# EOF\n", '# TYPE a stateset\na{b="c"} 1\n# EOF\n', "# TYPE a gauge\n# TYPE a gauge\na 1\n# EOF\n",
       "# TYPE a gauge\na 1\n# HELP a x\n# EOF\n", 'a{x="1"} 1\na{x="2"} 1\nb 1\na{x="3"} 1\n# EOF\n', "a 0x1\n# EOF\n", "a  1\n# EOF\n",
       "# TYPE a histogram\na_count 1\n# EOF\n", "# TYPE a gauge\n# EOF\n", "1a 1\n# EOF\n", "# EOF\n# EOF\n",
       '# TYPE a summary\na_count{x="1"} 1\na_count{x="2"} 1\na_sum{x="1"} 1\n# EOF\n']


def check_the_check():
    for text in BAD:
        try:
            check(text.encode())
        except Fault:
            continue
        raise AssertionError(f"this was let through: {text!r}")


if __name__ == "__main__":
    check_the_check()
    try:
        with open(sys.argv[1], "rb") as file:
            check(file.read())
    except (Fault, UnicodeDecodeError) as fault:
        sys.exit(f"{sys.argv[1]}: {fault}")
