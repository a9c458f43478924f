// drivers: what a lab engineer sees before anything is connected. The check itself: tests/conformance.
#include <catch2/catch.hpp>

#include "fake_daemon.hpp"
#include "program.hpp"
#include "support/text.hpp"

using namespace nightwell::cli_test;
using nightwell::tests::holds;

namespace {

const char* const two_step_scanner = R"({
  "format": "nightwell-dialect/1", "dialect": "two-step", "revision": 3, "for": "scanner",
  "line": {"command_end": "LF", "reply_end": "LF"},
  "fields": {"who": {"type": "text"}, "x": {"type": "number", "unit": "ohm"},
             "ch": {"type": "channel", "lowest": 101, "highest": 110, "digits": 3}},
  "commands": {"identity": {"kind": "query", "send": "WHO", "reply": "SCANNER {who}"},
               "close": {"kind": "safe_setting", "send": "CH {ch}", "reply": "CH {ch} OK"},
               "read_resistance": {"kind": "query", "send": "RD", "reply": "R {x}", "value": "x", "choose": "close"}}})";

// A row of a table: its cells, however wide the columns are.
bool has_row(const std::string& text, const std::vector<std::string>& cells) {
  for (std::size_t begin = 0; begin < text.size();) {
    const std::size_t end = std::min(text.find('\n', begin), text.size());
    std::string line = text.substr(begin, end - begin), wanted;
    for (std::size_t at = line.find("   "); at != std::string::npos; at = line.find("   ")) line.erase(at, 1);
    for (const std::string& cell : cells) wanted += (wanted.empty() ? "" : "  ") + cell;
    if (line == wanted) return true;
    begin = end + 1;
  }
  return false;
}

}  // namespace

TEST_CASE("drivers show: what goes out before a reading whose channel is chosen first") {
  Folder folder;
  const auto file = folder.path() / "two-step.json";
  write_file(file, two_step_scanner);
  const Outcome shown = run(folder.path(), {"drivers", "show", file});
  INFO(shown.out << shown.err);
  CHECK(shown.exit == 0);
  CHECK(has_row(shown.out, {"read_resistance", "question, right after close", "RD", "R {x}"}));
  CHECK(has_row(shown.out, {"choose 102, before each reading", R"("CH 102\x0a")"}));
  CHECK(has_row(shown.out, {"read 102, resistance", R"("RD\x0a")"}));
}

TEST_CASE("drivers show: how a reading is begun and what it waits for") {
  Folder folder;
  const Outcome shown = run(folder.path(), {"drivers", "show", "polled-scanner"});
  INFO(shown.out << shown.err);
  CHECK(shown.exit == 0);
  CHECK(has_row(shown.out,
                {"read_resistance",
                 "question, right after take_resistance, as soon as state says 1 in the bits of 1 (asked every 20 "
                 "ms, for 10000 ms)",
                 "value?", "{ch} {ohms} ohm"}));
  CHECK(has_row(shown.out, {"begin 102, before each reading", R"("take ohm 102\x0a")"}));
  CHECK(has_row(shown.out, {"whether 102 is ready", R"("state?\x0a")"}));
  CHECK(has_row(shown.out, {"read 102, resistance", R"("value?\x0a")"}));
}

TEST_CASE("drivers list --bench: each instrument's driver, and whether it can be loaded") {
  Folder folder;
  const auto in = [&folder](const char* name) { return (folder.path() / name).string(); };
  const std::string script = std::string(NIGHTWELL_SOURCE_DIR) + "/demo/drivers/bath_driver.py";
  write_file(in("two-step.json"), two_step_scanner);
  write_file(in("broken.json"),
             R"({"format": "nightwell-dialect/1", "dialect": "x", "revision": 0, "for": "scanner"})");
  write_file(in("bench.json"), R"({"scanners": {"a": {"driver": {"dialect": "two-step.json"}},
      "b": {"driver": {"dialect": "broken.json"}}, "c": {"driver": "scpi-source"}},
    "sources": {"bath": {"driver": {"program": ")" +
                                   script + R"("}}, "by-hand": {"attended": true},
      "gone": {"driver": {"program": "gone.py"}}, "oven": {"driver": {"dialect": "two-step.json"}}, "plain": {"driver": "scpi-source"}}})");
  const Outcome listed = run(folder.path(), {"drivers", "list", "--bench", in("bench.json")});
  INFO(listed.out << listed.err);
  CHECK(listed.exit == 2);
  CHECK(has_row(listed.out, {"a", "scanner", "two-step, revision 3", in("two-step.json"), "yes"}));
  CHECK(has_row(listed.out, {"b", "scanner", "dialect", in("broken.json"), "no: 3 faults"}));
  CHECK(holds(listed.err, "broken.json: /revision: found 0"));
  CHECK(has_row(listed.out, {"c", "scanner", "scpi-source", "no: no driver of this program is called so"}));
  CHECK(has_row(listed.out, {"bath", "heat source", "program", script, "yes"}));
  CHECK_FALSE(holds(listed.out, "by-hand"));
  CHECK(has_row(listed.out, {"gone", "heat source", "program", in("gone.py"),
                             "no: " + in("gone.py") + ": No such file or directory"}));
  CHECK(has_row(listed.out,
                {"oven", "heat source", "two-step, revision 3", in("two-step.json"), "no: it is for a scanner"}));
  CHECK(has_row(listed.out, {"plain", "heat source", "scpi-source", "yes"}));
  CHECK(holds(listed.out, "terse-bath"));

  write_file(in("bench.json"), R"({"sources": {"plain": {"driver": "scpi-source"}}})");
  CHECK(run(folder.path(), {"drivers", "list", "--bench", in("bench.json")}).exit == 0);
  const Outcome none = run(folder.path(), {"drivers", "list", "--bench", in("none.json")});
  CHECK(none.exit == 2);
  CHECK(holds(none.err, "none.json"));
}
