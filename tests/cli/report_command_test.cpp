// report: three files that belong together, all of them or none.
#include <sys/resource.h>

#include <catch2/catch.hpp>
#include <csignal>
#include <fstream>
#include <sstream>

#include "fake_daemon.hpp"
#include "journal/writer.hpp"
#include "program.hpp"
#include "support/text.hpp"

using namespace nightwell::cli_test;
using nightwell::tests::holds;
using ReportJson = nlohmann::ordered_json;
namespace fs = std::filesystem;

namespace {

ReportJson report_card(std::size_t index, const char* name, const char* role) {
  return {{"channel", index},       {"name", name},
          {"role", role},           {"scanner", "s1"},
          {"address", 101 + index}, {"measures", "temperature"},
          {"junction", nullptr},    {"serial", std::string("SB-") + name},
          {"type", "probe"},        {"model", {{"kind", "indicated"}}},
          {"lowest_c", -40.0},      {"highest_c", 100.0},
          {"certificate", "C-1"},   {"calibrated", "2026-01-10"},
          {"due", "2027-01-10"},    {"u95_k", 0.02},
          {"file", "cards/x.json"}};
}

ReportJson opening_of_report() {
  ReportJson out = {{"format", "nightwell-journal/1"},
                    {"run", "cold-1"},
                    {"host", "bench-pc"},
                    {"boot_id", "b"},
                    {"speed", 1},
                    {"profile", "p"},
                    {"bench", "b"},
                    {"job", "j"},
                    {"customer_reference", "=1+1"},
                    {"accepted_overdue", ReportJson::array()}};
  out["program"] = {{"name", "nightwelld"}, {"version", "0.1.0"}};
  out["files"]["cards/x.json"] = std::string(64, 'c');
  out["channels"] = {"r1", "c1"};
  out["orders"]["straight"] = {0, 1};
  return out;
}

ReportJson plan_of_report() {
  ReportJson out = {{"plateau", 0}, {"setpoint_c", 15.0}, {"source", "bath"}, {"band_k", 0.5}};
  out["settle"] = {
      {"window_s", 600.0}, {"largest_drift_k", 0.01}, {"largest_spread_k", 0.02}, {"item_drift_k", nullptr}};
  out["capture"] = {{"placement", "after"}, {"order", "straight"}, {"sweeps", 1}, {"pause_s", 0.0}};
  for (const char* phase : {"approach_limit", "settle_limit", "capture_limit"})
    out[phase] = {{"within_s", 3600.0}, {"otherwise", "park"}};
  return out;
}

ReportJson sweep_of_report(int number, const char* purpose, ReportJson raw, ReportJson faults) {
  ReportJson out = {
      {"sweep", number}, {"order", "straight"}, {"purpose", purpose}, {"plateau", 0}, {"started_s", 10.0}};
  out["at_s"] = {0.0, 0.5};
  out["raw"] = std::move(raw);
  out["faults"] = std::move(faults);
  return out;
}

// One plateau of one sweep, after one of watching in which the item was open; closed only where an ending is given.
fs::path write_night_of_report(const fs::path& path, const std::string& ending) {
  auto writer = nightwell::journal::Writer::create(path);
  REQUIRE(writer.ok());
  const auto append = [&](const char* kind, const ReportJson& fields) {
    REQUIRE(writer.value().append(kind, fields, {"2026-11-25T20:15:00.000000Z", {}}).ok());
  };
  append("opening", opening_of_report());
  append("plan", {{"sampling", {{"every_s", 5.0}}}});
  append("card", report_card(0, "r1", "reference"));
  append("card", report_card(1, "c1", "item"));
  append("plateau_plan", plan_of_report());
  append("sweep", sweep_of_report(0, "watch", {15.5, nullptr}, {{"1", {{"code", "open_sensor"}, {"text", "open"}}}}));
  append("sweep", sweep_of_report(1, "capture", {15.0, 15.25}, ReportJson::object()));
  append("plateau", {{"plateau", 0},
                     {"setpoint_c", 15.0},
                     {"outcome", "settled"},
                     {"first_sweep", 1},
                     {"last_sweep", 1},
                     {"window", nullptr},
                     {"why", ""}});
  if (!ending.empty()) append("closing", {{"ending", ending}, {"why", "done"}});
  return path;
}

std::string content_of(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream out;
  out << file.rdbuf();
  return out.str();
}

std::size_t files_in(const fs::path& folder) {
  return static_cast<std::size_t>(std::distance(fs::directory_iterator(folder), fs::directory_iterator()));
}

// Files of this process and its children end at so many bytes, as on a full disk; with an error, not a signal.
class SmallDisk {
 public:
  explicit SmallDisk(rlim_t bytes) : handler_(std::signal(SIGXFSZ, SIG_IGN)) {
    ::getrlimit(RLIMIT_FSIZE, &before_);
    const rlimit small{bytes, before_.rlim_max};
    ::setrlimit(RLIMIT_FSIZE, &small);
  }
  SmallDisk(const SmallDisk&) = delete;
  SmallDisk& operator=(const SmallDisk&) = delete;
  ~SmallDisk() {
    ::setrlimit(RLIMIT_FSIZE, &before_);
    std::signal(SIGXFSZ, handler_);
  }

 private:
  rlimit before_{};
  void (*handler_)(int);
};

}  // namespace

TEST_CASE("report writes the page, the readings and the plan") {
  Folder folder;
  const fs::path journal = write_night_of_report(folder.path() / "journal.ndjson", "finished");
  fs::create_directory(folder.path() / "out");
  const fs::path page = folder.path() / "out" / "night.html";
  const Outcome outcome = run(folder.path(), {"report", journal, "-o", page});
  CAPTURE(outcome.err);
  REQUIRE(outcome.exit == 0);
  CHECK(files_in(folder.path() / "out") == 3);  // and nothing temporary
  CHECK(holds(outcome.out, "night.data.csv"));
  CHECK(holds(content_of(page), "SB-c1"));
  CHECK(holds(content_of(page), "0.2500"));

  const std::string data = content_of(folder.path() / "out" / "night.data.csv");
  CHECK(
      holds(data, "reading,10.5,2026-11-25T20:15:00.000000Z,1,capture,straight,0,15,c1,item,SB-c1,15.25,c,15.25,,1,"));
  CHECK(holds(data, "watch,straight,0,15,c1,item,SB-c1,,c,,open_sensor,0,"));
  CHECK(holds(data, "\r\nplateau,"));
  CHECK(holds(data, ",settled,1,1,10,10.5,15,"));
  // A head line, four readings, a plateau; each of them with as many cells.
  std::istringstream lines(data);
  std::size_t count = 0;
  for (std::string line; std::getline(lines, line); ++count) CHECK(std::count(line.begin(), line.end(), ',') == 24);
  CHECK(count == 6);

  const auto setup = ReportJson::parse(content_of(folder.path() / "out" / "night.setup.json"));
  CHECK(setup["format"] == "nightwell-setup/1");
  CHECK(setup["run"] == "cold-1");
  CHECK(setup["plateaus"][0]["settle"]["window_s"] == 600.0);
  CHECK(setup["cards"][1]["serial"] == "SB-c1");
  CHECK(setup["plan"]["sampling"]["every_s"] == 5.0);
  CHECK(setup["opening"]["files"]["cards/x.json"] == std::string(64, 'c'));
  CHECK(setup["budget"].is_null());
  CHECK_FALSE(setup["opening"].contains("prev"));
}

TEST_CASE("report replaces nothing unless it is told to") {
  Folder folder;
  const fs::path journal = write_night_of_report(folder.path() / "journal.ndjson", "finished");
  const fs::path page = folder.path() / "night.html", data = folder.path() / "night.data.csv";
  write_file(data, "mine\n");
  const Outcome refused = run(folder.path(), {"report", journal, "-o", page});
  CHECK(refused.exit == 2);
  CHECK(holds(refused.err, "--force"));
  CHECK(content_of(data) == "mine\n");
  CHECK_FALSE(fs::exists(page));
  CHECK(run(folder.path(), {"report", journal, "-o", page, "--force"}).exit == 0);
  CHECK(holds(content_of(data), "reading,"));
}

TEST_CASE("a report of a run that did not finish is made, and exits with 4") {
  Folder folder;
  const fs::path page = folder.path() / "night.html";
  const fs::path journal = write_night_of_report(folder.path() / "journal.ndjson", "");
  const Outcome outcome = run(folder.path(), {"report", journal, "-o", page});
  CHECK(outcome.exit == 4);
  CHECK(holds(content_of(page), "The run ended without closing"));
  CHECK(holds(outcome.err, "ended without closing"));
}

TEST_CASE("no report from what is no journal, to nowhere, or without a name") {
  Folder folder;
  write_file(folder.path() / "x.ndjson", "hello\n");
  CHECK(run(folder.path(), {"report", folder.path() / "x.ndjson", "-o", folder.path() / "x.html"}).exit == 2);
  CHECK_FALSE(fs::exists(folder.path() / "x.html"));
  const fs::path journal = write_night_of_report(folder.path() / "journal.ndjson", "finished");
  CHECK(run(folder.path(), {"report", journal, "-o", folder.path() / "no-such-folder" / "x.html"}).exit == 2);
  CHECK(run(folder.path(), {"report", journal}).exit == 2);
}

TEST_CASE("a full disk leaves no part of a report") {
  Folder folder;
  const fs::path journal = write_night_of_report(folder.path() / "journal.ndjson", "finished");
  fs::create_directory(folder.path() / "out");
  Outcome outcome;
  {
    const SmallDisk disk(4096);  // enough for readings and plan, not for the page
    outcome = run(folder.path(), {"report", journal, "-o", folder.path() / "out" / "night.html"});
  }
  CHECK(outcome.exit == 2);
  CHECK(holds(outcome.err, "writing a file"));
  CHECK(files_in(folder.path() / "out") == 0);
}
