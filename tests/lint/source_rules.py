"""Rules of the house that a compiler does not check. Python 3, standard library only.

source_rules.py pure-rooms | co-await | words [--self-test]

pure-rooms  thermometry, uncertainty and sequence include only std, their own headers, nightwell/ and, in .cpp files, Eigen
            (sequence also thermometry; the .cpp files of uncertainty also boost/math); include/nightwell includes no third party, but for asio in the interfaces of instruments.
co-await    g++ 12 miscompiles some co_await expressions: no `{` and no `[` between co_await and its `;`, and no `= {` in
            the parameters of a function that returns awaitable<>.
words       no sleeping, no std::regex, no locale-bound number parsing, no dlopen, anywhere in our code.
--self-test shows that each rule can fail, on bad lines of its own.
"""
import os
import re
import sys

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
INCLUDE = re.compile(r'^\s*#\s*include\s*([<"])([^>"]+)[>"]', re.M)
THIRD_PARTY = re.compile(r"^(asio|nlohmann|spdlog|fmt|CLI|catch2|openssl|Eigen|boost|sys|arpa|netinet)(/|\.hpp|\.h|$)|^(unistd|fcntl|poll)\.h$")
PURE = {"thermometry": {"thermometry"}, "uncertainty": {"uncertainty"}, "sequence": {"sequence", "thermometry"}}
# Public interfaces of what waits: the coroutines are asio's.
ASYNCHRONOUS = {f"include/nightwell/{name}.hpp" for name in ("instrument/scanner", "instrument/heat_source", "driver/instrument_main")}
WORDS = re.compile(r"\b(sleep_for|usleep|nanosleep|std::regex|strtod|std::stod|std::stof|atof|dlopen)\b")


def files(*folders):
    for folder in folders:
        for base, _, names in os.walk(os.path.join(ROOT, folder)):
            for name in sorted(names):
                if name.endswith((".hpp", ".cpp")):
                    path = os.path.join(base, name)
                    with open(path, encoding="utf-8") as f:
                        yield os.path.relpath(path, ROOT), f.read()


def without_comments_and_strings(text):
    """The code alone, with line numbers kept: comments become blanks, literals empty literals."""
    def blank(match):
        return re.sub(r"[^\n]", " ", match.group(0))
    pattern = re.compile(r'R"(?P<d>[^(\s]*)\(.*?\)(?P=d)"|//[^\n]*|/\*.*?\*/|"(?:\\.|[^"\\\n])*"|\'(?:\\.|[^\'\\\n])+\'', re.S)
    return pattern.sub(blank, text)


def pure_rooms(path, text):
    room = path.split("/")[1]
    public = path.startswith("include/")
    for quote, name in INCLUDE.findall(text):
        top = name.split("/")[0]
        if public:
            if THIRD_PARTY.match(name) and not (path in ASYNCHRONOUS and top == "asio"):
                yield f"{path}: a public header includes {name}"
        elif room in PURE:
            if room == "uncertainty" and path.endswith(".cpp") and name.startswith("boost/math/"):
                continue
            if top == "Eigen" and path.endswith(".hpp"):
                yield f"{path}: Eigen stays out of headers"
            known = top in PURE[room] | {"nightwell", "Eigen"} and "/" in name
            if not known and (quote == '"' or THIRD_PARTY.match(name)):
                yield f"{path}: the pure room {room} includes {name}"


def co_await(path, text):
    code = without_comments_and_strings(text)
    for match in re.finditer(r"\bco_await\b[^;]*;", code):
        if "{" in match.group(0) or "[" in match.group(0).replace("[this_coro", ""):
            indexing = re.sub(r"(?<=[\w\)\]])\[[^\]\[]*\]", "", match.group(0))  # a[i] is no lambda
            if "{" in indexing or "[" in indexing:
                yield f"{path}:{code[:match.start()].count(chr(10)) + 1}: braces or a lambda in a co_await expression"
    for match in re.finditer(r"\bawaitable<[^;{]*?\)", code):
        if re.search(r"=\s*\{", code[match.start():match.end() + 2].split(")")[0]):
            yield f"{path}:{code[:match.start()].count(chr(10)) + 1}: a defaulted class-type parameter of a coroutine"
    for match in re.finditer(r"\bawaitable<[^;()]*\([^;]*?=\s*\{\s*\}", code):
        yield f"{path}:{code[:match.start()].count(chr(10)) + 1}: a defaulted class-type parameter of a coroutine"


def words(path, text):
    code = without_comments_and_strings(text)
    for match in WORDS.finditer(code):
        yield f"{path}:{code[:match.start()].count(chr(10)) + 1}: {match.group(0)} is not used here"


RULES = {"pure-rooms": (pure_rooms, ("src/thermometry", "src/uncertainty", "src/sequence", "include")),
         "co-await": (co_await, ("src", "drivers")), "words": (words, ("src", "drivers", "include"))}

BAD = {
    "pure-rooms": [("src/sequence/x.cpp", '#include <asio/awaitable.hpp>'), ("src/thermometry/x.cpp", '#include "sequence/plan.hpp"'),
                   ("include/nightwell/x.hpp", "#include <nlohmann/json.hpp>"), ("include/nightwell/x.hpp", "#include <asio/awaitable.hpp>"),
                   ("include/nightwell/instrument/scanner.hpp", "#include <nlohmann/json.hpp>"), ("src/sequence/y.cpp", "#include <unistd.h>"),
                   ("src/thermometry/y.cpp", "#include <boost/math/tools/roots.hpp>"),
                   ("src/uncertainty/x.hpp", "#include <boost/math/distributions/normal.hpp>"),
                   ("src/uncertainty/x.cpp", "#include <boost/asio.hpp>"),
                   ("src/thermometry/x.hpp", "#include <Eigen/QR>"), ("include/nightwell/y.hpp", "#include <Eigen/Core>")],
    "co-await": [("src/a.cpp", "co_await f(Command{s, 1});"), ("src/b.cpp", "co_await f([x] { return x; });"),
                 ("src/c.cpp", "co_await f(\n  g(),\n  {1});"), ("src/d.cpp", "asio::awaitable<void> f(Options o = {});")],
    "words": [("src/a.cpp", "std::this_thread::sleep_for(1s);"), ("src/b.cpp", "std::regex r;"), ("src/c.cpp", "x = strtod(p, 0);")],
}
GOOD = {
    "pure-rooms": [("include/nightwell/instrument/scanner.hpp", "#include <asio/awaitable.hpp>"), ("src/sequence/x.cpp", '#include "thermometry/platinum.hpp"\n#include <vector>'), ("src/daemon/x.cpp", "#include <asio.hpp>"),
                   ("src/uncertainty/x.cpp", "#include <boost/math/distributions/normal.hpp>"),
                   ("src/thermometry/x.cpp", "#include <Eigen/QR>")],
    "co-await": [("src/a.cpp", 'co_await f("{}[]", x);'), ("src/b.cpp", "co_await scanners_[i]->read(setup);"),
                 ("src/c.cpp", "// co_await f(X{});\n")],
    "words": [("src/a.cpp", "// no sleep_for here\nint x;")],
}


def main():
    rule, scope = RULES[sys.argv[1]]
    if "--self-test" in sys.argv:
        missed = [p for p, text in BAD[sys.argv[1]] if not list(rule(p, text))]
        wrong = [p for p, text in GOOD[sys.argv[1]] if list(rule(p, text))]
        print(f"missed: {missed}, wrongly found: {wrong}")
        sys.exit(1 if missed or wrong else 0)
    found = [line for path, text in files(*scope) for line in rule(path, text)]
    print("\n".join(found))
    sys.exit(1 if found else 0)


main()
