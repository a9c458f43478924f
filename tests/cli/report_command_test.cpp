// report: three files that belong together, all of them or none.
#include <sys/resource.h>

#include <catch2/catch.hpp>
#include <csignal>
#include <fstream>
#include <sstream>

#include "fake_daemon.hpp"
#include "night_journal.hpp"
#include "program.hpp"
#include "support/text.hpp"

using namespace nightwell::cli_test;
using nightwell::tests::holds;
namespace fs = std::filesystem;

namespace {

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
  const fs::path journal = write_night(folder.path() / "journal.ndjson", "finished");
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

  const auto setup = nlohmann::ordered_json::parse(content_of(folder.path() / "out" / "night.setup.json"));
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
  const fs::path journal = write_night(folder.path() / "journal.ndjson", "finished");
  const fs::path page = folder.path() / "night.html", data = folder.path() / "night.data.csv";
  write_file(data, "mine\n");
  const Outcome refused = run(folder.path(), {"report", journal, "-o", page});
  CHECK(refused.exit == 2);
  CHECK(holds(refused.err, "--force"));
  CHECK(content_of(data) == "mine\n");
  CHECK_FALSE(fs::exists(page));
  // And then it leaves who may read it as it was.
  fs::permissions(data, fs::perms::owner_read | fs::perms::owner_write | fs::perms::group_read);
  CHECK(run(folder.path(), {"report", journal, "-o", page, "--force"}).exit == 0);
  CHECK(holds(content_of(data), "reading,"));
  CHECK(fs::status(data).permissions() == (fs::perms::owner_read | fs::perms::owner_write | fs::perms::group_read));
}

TEST_CASE("a report of a run that did not finish is made, and exits with 4") {
  Folder folder;
  const fs::path page = folder.path() / "night.html";
  const fs::path journal = write_night(folder.path() / "journal.ndjson", "");
  const Outcome outcome = run(folder.path(), {"report", journal, "-o", page});
  CHECK(outcome.exit == 4);
  CHECK(holds(content_of(page), "The journal is not closed: its run goes on, or ended without closing"));
  CHECK(holds(outcome.err, "ended without closing"));
}

TEST_CASE("no report from what is no journal, to nowhere, or without a name") {
  Folder folder;
  write_file(folder.path() / "x.ndjson", "hello\n");
  CHECK(run(folder.path(), {"report", folder.path() / "x.ndjson", "-o", folder.path() / "x.html"}).exit == 2);
  CHECK_FALSE(fs::exists(folder.path() / "x.html"));
  const fs::path journal = write_night(folder.path() / "journal.ndjson", "finished");
  CHECK(run(folder.path(), {"report", journal, "-o", folder.path() / "no-such-folder" / "x.html"}).exit == 2);
  CHECK(run(folder.path(), {"report", journal}).exit == 2);
}

TEST_CASE("a full disk leaves no part of a report") {
  Folder folder;
  const fs::path journal = write_night(folder.path() / "journal.ndjson", "finished");
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
