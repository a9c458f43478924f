// The program as scripts call it: what it prints where, and its exit codes.
#include "program.hpp"

#include <catch2/catch.hpp>

#include "fake_daemon.hpp"
#include "journal/reader.hpp"
#include "journal/writer.hpp"
#include "nightwell/folders.hpp"
#include "support/text.hpp"

using namespace nightwell::cli_test;
using nightwell::tests::holds;
using nlohmann::json;
using nlohmann::ordered_json;
using Path = std::filesystem::path;

namespace {

FakeDaemon::Answering always(const std::string& bytes) {
  return [bytes](const json&) { return bytes; };
}

// A journal of three or, closed, four records.
Path write_journal(const Path& path, const std::string& ending) {
  std::filesystem::create_directories(path.parent_path());
  auto writer = nightwell::journal::Writer::create(path);
  REQUIRE(writer.ok());
  const nightwell::journal::Stamp stamp{"2026-11-25T20:15:00.000000Z", {}};
  const auto append = [&](const char* kind, const ordered_json& fields) {
    REQUIRE(writer.value().append(kind, fields, stamp).ok());
  };
  append("opening", {{"format", "nightwell-journal/1"}, {"run", "run-1"}, {"channels", {"r1"}}});
  append("phase", {{"phase", "settle"}, {"plateau", 0}, {"setpoint_c", 15.0}, {"why", "in the band"}});
  append("note", {{"text", "odd\x1b[2J"}});
  if (!ending.empty()) append("closing", {{"ending", ending}, {"why", "done"}});
  return path;
}

}  // namespace

TEST_CASE("help and version are answers, wrong arguments are bad input") {
  Folder folder;
  CHECK(run(folder.path(), {"--version"}).exit == 0);
  CHECK(holds(run(folder.path(), {"--version"}).out, NIGHTWELL_VERSION));
  const Outcome help = run(folder.path(), {"--help"});
  CHECK(help.exit == 0);
  CHECK(holds(help.out, "Exit codes"));
  CHECK(run(folder.path(), {}).exit == 2);
  const Outcome dance = run(folder.path(), {"dance"});
  CHECK(dance.exit == 2);
  CHECK(holds(dance.err, "no command is called \"dance\" here; with --help: what there is"));
  const Outcome mistyped = run(folder.path(), {"plan", "chek", "a", "b", "c"});
  CHECK(mistyped.exit == 2);
  CHECK(holds(mistyped.err, "no command is called \"chek\" here; did you mean \"check\"?"));
  CHECK(holds(run(folder.path(), {"--bogus"}).err, "no option is called \"--bogus\" here"));
  CHECK(run(folder.path(), {"tail", "--since", "x"}).exit == 2);
}

TEST_CASE("output that cannot be written is no success") {
  Folder folder;
  const Path path = write_journal(folder.path() / "journal.ndjson", "finished");
  CHECK(run(folder.path(), {"verify", path}, "/dev/full").exit == 2);
  CHECK(run(folder.path(), {"tail", path}, "/dev/full").exit == 2);
}

TEST_CASE("without a daemon: 3, and what to do about it") {
  Folder folder;
  for (const std::string command : {"status", "watch", "runs", "hold", "resume", "skip", "stop", "park", "ready"}) {
    CAPTURE(command);
    const Outcome outcome = run(folder.path(), {command});
    CHECK(outcome.exit == 3);
    CHECK(outcome.out.empty());
    CHECK(holds(outcome.err, "start nightwelld, or give --runtime"));
  }
}

TEST_CASE("who may read journals but not ask the daemon sees the runs all the same") {
  Folder folder;
  std::filesystem::create_directories(folder.path() / "state/runs/night-1");
  std::filesystem::create_directories(folder.path() / "state/runs/night-2");
  write_journal(folder.path() / "state/runs/night-1/journal.ndjson", "finished");
  write_journal(folder.path() / "state/runs/night-2/journal.ndjson", "");
  std::filesystem::create_directories(folder.path() / "state/runs/night-0");
  write_file(folder.path() / "state/runs/night-0/journal.ndjson", "");
  std::filesystem::create_directories(folder.path() / "state/runs/odd");
  write_file(folder.path() / "state/runs/odd/journal.ndjson",
             R"({"n":0,"utc":"2026-11-25T20:15:00.000000Z","up_s":0.000000,"kind":"opening","profile":5,"prev":")" +
                 std::string(64, '0') + "\"}\n");
  const Outcome runs = run(folder.path(), {"runs", "--state", (folder.path() / "state").string()});
  CHECK(runs.exit == 0);
  CHECK(holds(runs.out, "night-1  finished"));
  CHECK(holds(runs.out, "night-2  not closed"));
  CHECK(holds(runs.out, "night-0  cannot be read"));
  CHECK(holds(runs.out, "odd      not closed"));
  CHECK(holds(runs.err,
              "by the journals alone, which do not tell a run that goes on from one that ended without closing"));
  CHECK(holds(runs.err, "start nightwelld, or give --runtime"));
}

TEST_CASE("the folders may be given before or behind the command") {
  Folder folder, elsewhere;
  FakeDaemon daemon(elsewhere.path(), always(yes({{"runs", json::array()}})));
  CHECK(run(folder.path(), {"--runtime", elsewhere.path(), "status"}).exit == 0);
  CHECK(run(folder.path(), {"status", "--runtime", elsewhere.path()}).exit == 0);
}

TEST_CASE("requests carry the run and the reason") {
  Folder folder;
  FakeDaemon daemon(folder.path(), always(yes({{"state", "held"}})));
  const Outcome outcome = run(folder.path(), {"hold", "run-1", "--why", "door open"});
  CHECK(outcome.exit == 0);
  CHECK(outcome.out == "hold is in the journal; the run is now: held\n");
  CHECK(run(folder.path(), {"ready"}).exit == 0);
  const auto requests = daemon.requests();
  REQUIRE(requests.size() == 2);
  CHECK(requests[0] == json{{"ask", "hold"}, {"run", "run-1"}, {"why", "door open"}});
  CHECK(requests[1] == json{{"ask", "ready"}, {"why", ""}});
}

TEST_CASE("a refusal is printed, made safe, and exits with 3") {
  Folder folder;
  FakeDaemon daemon(folder.path(), always(no("not_found", "no such run \x1b[2J")));
  const Outcome outcome = run(folder.path(), {"stop", "run-9"});
  CHECK(outcome.exit == 3);
  CHECK(outcome.err == "nightwell: the daemon says no: no such run \\x1b[2J\n");
}

TEST_CASE("status and runs") {
  Folder folder;
  const Path settle = Path(NIGHTWELL_SOURCE_DIR) / "tests/cli/status/settle.json";
  const json status = json::parse(read_file(settle));
  FakeDaemon daemon(folder.path(), [&](const json& request) {
    if (request["ask"] == "runs")
      return yes({{"runs",
                   {{{"run", "run-1"},
                     {"state", "ended without closing"},
                     {"opened_utc", "2026-11-25T20:15:00.1Z"},
                     {"profile", "p"},
                     {"bench", "b"},
                     {"job", "j"},
                     {"ending", nullptr}}}}});
    return yes({{"runs", json::array({status})}});
  });
  const Outcome text = run(folder.path(), {"status"});
  CHECK(text.exit == 0);
  CHECK(holds(text.out, "plateau 3 of 6 at 15 °C on bath"));
  CHECK_FALSE(holds(text.out, "Ctrl-C"));
  const Outcome machine = run(folder.path(), {"status", "run-1", "--json"});
  CHECK(json::parse(machine.out)["runs"][0] == status);
  CHECK(daemon.requests().back()["run"] == "run-1");

  const Outcome runs = run(folder.path(), {"runs"});
  CHECK(runs.exit == 0);
  CHECK(holds(runs.out, "run-1  ended without closing  2026-11-25 20:15:00Z  p"));
  CHECK(json::parse(run(folder.path(), {"runs", "--json"}).out)[0]["run"] == "run-1");
}

TEST_CASE("verify: whole, not closed, torn, damaged, missing") {
  Folder folder;
  const Path closed = write_journal(folder.path() / "closed.ndjson", "finished");
  const Outcome whole = run(folder.path(), {"verify", closed});
  CHECK(whole.exit == 0);
  CHECK(holds(whole.out, "lines    4\n"));
  CHECK(holds(whole.out, "bytes    " + std::to_string(std::filesystem::file_size(closed)) + "\n"));
  CHECK(holds(whole.out, "ending   finished\n"));
  CHECK(holds(whole.out, "head     "));

  const Path open = write_journal(folder.path() / "open.ndjson", "");
  CHECK(run(folder.path(), {"verify", open}).exit == 4);
  CHECK(holds(run(folder.path(), {"verify", open}).out,
              "ending   not closed: its run goes on, or ended without closing\n"));

  const std::string text = read_file(closed);
  write_file(folder.path() / "torn.ndjson", text.substr(0, text.size() - 7));
  const Outcome torn = run(folder.path(), {"verify", folder.path() / "torn.ndjson"});
  CHECK(torn.exit == 4);
  CHECK(holds(torn.out, "torn     "));

  std::string changed = text;
  changed.replace(changed.find("in the band"), 2, "on");
  write_file(folder.path() / "changed.ndjson", changed);
  const Outcome damaged = run(folder.path(), {"verify", folder.path() / "changed.ndjson"});
  CHECK(damaged.exit == 2);
  CHECK(damaged.out.empty());
  CHECK(holds(damaged.err, "byte"));

  CHECK(run(folder.path(), {"verify", folder.path() / "none.ndjson"}).exit == 2);
}

TEST_CASE("verify and tail find a run by its id, or the newest, without a daemon") {
  Folder folder;
  write_journal(nightwell::run_journal(folder.path() / "state", "run-1"), "finished");
  CHECK(run(folder.path(), {"verify", "run-1"}).exit == 0);
  CHECK(run(folder.path(), {"verify"}).exit == 0);
  CHECK(run(folder.path(), {"tail"}).exit == 0);
  const Outcome missing = run(folder.path(), {"verify", "run-2"});
  CHECK(missing.exit == 2);
  CHECK(holds(missing.err, "run-2"));
}

TEST_CASE("tail: text for people, exact bytes for programs") {
  Folder folder;
  const Path path = write_journal(folder.path() / "journal.ndjson", "stopped");
  const Outcome text = run(folder.path(), {"tail", path});
  CHECK(text.exit == 0);
  CHECK(holds(text.out, "     1  2026-11-25 20:15:00Z  phase         settle, plateau 1 at 15 °C: in the band\n"));
  CHECK(holds(text.out, "odd\\x1b[2J"));
  CHECK_FALSE(holds(text.out, "\x1b"));

  CHECK(run(folder.path(), {"tail", path, "--raw"}).out == read_file(path));
  const Outcome some = run(folder.path(), {"tail", path, "--since", "2"});
  CHECK(some.out.rfind("     2  ", 0) == 0);
  const Outcome kind = run(folder.path(), {"tail", path, "--kind", "closing"});
  CHECK(kind.out == "     3  2026-11-25 20:15:00Z  closing       stopped: done\n");
  // A closed journal ends the following, too.
  CHECK(run(folder.path(), {"tail", path, "--follow"}).out == text.out);
}

TEST_CASE("the word behind --kind's is the journal") {
  Folder folder;
  const Path path = write_journal(folder.path() / "journal.ndjson", "finished");
  write_journal(folder.path() / "state" / "runs" / "run-1" / "journal.ndjson", "");
  for (const auto& arguments : {std::vector<std::string>{"tail", "--raw", "--kind", "note", path},
                                {"tail", "--raw", "--kind", "note,opened", path},
                                {"tail", "--raw", "--kind", "note", "--kind", "opened", path}}) {
    const Outcome kind = run(folder.path(), arguments);
    CHECK(kind.exit == 0);
    CHECK(holds(kind.out, "odd"));
    CHECK_FALSE(holds(kind.out, "phase"));
    CHECK(kind.err.empty());
  }
  CHECK(holds(run(folder.path(), {"tail", "--kind", "note", "run-1"}).out, "odd"));
  const Outcome missing = run(folder.path(), {"tail", "--kind", "note", "run-2"});
  CHECK(missing.exit == 2);
  CHECK(holds(missing.err, "run-2"));
}

TEST_CASE("tail: a torn end is said, damage stops it") {
  Folder folder;
  const Path path = write_journal(folder.path() / "journal.ndjson", "");
  const std::string whole = read_file(path);
  write_file(path, whole + "{\"n\":3");
  const Outcome torn = run(folder.path(), {"tail", path, "--raw"});
  CHECK(torn.exit == 0);
  CHECK(torn.out == whole);
  CHECK(holds(torn.err, "6 bytes of an unfinished line at byte " + std::to_string(whole.size())));

  write_file(path, whole + "no record\n");
  const Outcome damaged = run(folder.path(), {"tail", path});
  CHECK(damaged.exit == 2);
  CHECK(holds(damaged.out, "note"));
}

TEST_CASE("tail --follow shows records as they come") {
  Folder folder;
  const Path path = folder.path() / "journal.ndjson";
  auto writer = nightwell::journal::Writer::create(path);
  REQUIRE(writer.ok());
  const nightwell::journal::Stamp stamp{"2026-11-25T20:15:00.000000Z", {}};
  REQUIRE(writer.value().append("note", {{"text", "first"}}, stamp).ok());
  OnTerminal terminal(folder.path(), {"tail", path, "--follow"});
  REQUIRE(terminal.read_until("first"));
  REQUIRE(writer.value().append("note", {{"text", "second"}}, stamp).ok());
  REQUIRE(terminal.read_until("second"));
  REQUIRE(writer.value().append("closing", {{"ending", "finished"}, {"why", ""}}, stamp).ok());
  CHECK(terminal.read_until("finished"));
  CHECK(terminal.finish() == 0);
}

TEST_CASE("tail --follow tells of a journal that gains nothing, once, and that it goes on") {
  Folder folder;
  const Path path = folder.path() / "journal.ndjson";
  auto writer = nightwell::journal::Writer::create(path);
  REQUIRE(writer.ok());
  const nightwell::journal::Stamp stamp{"2026-11-25T20:15:00.000000Z", {}};
  REQUIRE(writer.value().append("note", {{"text", "first"}}, stamp).ok());
  OnTerminal terminal(folder.path(), {"tail", path, "--follow", "--silence", "0.2"});
  REQUIRE(terminal.read_on_until("no record for "));
  REQUIRE(terminal.read_on_until(" s in " + path.string() + ": the daemon may be dead"));
  REQUIRE(writer.value().append("note", {{"text", "late"}}, stamp).ok());
  REQUIRE(terminal.read_on_until("records come again, after"));
  REQUIRE(terminal.read_on_until("late"));
  // Told anew each time.
  REQUIRE(terminal.read_on_until("no record for"));
  REQUIRE(writer.value().append("closing", {{"ending", "finished"}, {"why", ""}}, stamp).ok());
  CHECK(terminal.read_on_until("finished"));
  CHECK(terminal.finish() == 0);
}
