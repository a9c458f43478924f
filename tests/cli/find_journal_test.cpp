#include "cli/find_journal.hpp"

#include <catch2/catch.hpp>

#include "fake_daemon.hpp"
#include "journal/writer.hpp"
#include "nightwell/folders.hpp"

using namespace nightwell;
using namespace nightwell::cli;
using namespace nightwell::cli_test;
using Path = std::filesystem::path;

namespace {

Path make_run(const Path& state, const std::string& run, const std::string& utc) {
  const Path path = run_journal(state, run);
  std::filesystem::create_directories(path.parent_path());
  auto writer = journal::Writer::create(path);
  REQUIRE(writer.ok());
  REQUIRE(writer.value().append("opening", {{"run", run}}, {utc, {}}).ok());
  return path;
}

}  // namespace

TEST_CASE("a journal by path, by folder, by run, and the newest") {
  Folder folder;
  const Path state = folder.path();
  const Path newer = make_run(state, "a-newer", "2026-11-25T20:00:00.000000Z");
  const Path older = make_run(state, "b-older", "2026-11-24T20:00:00.000000Z");
  write_file(run_journal(state, "c-unreadable"), "no journal\n");
  CHECK(*find_journal(older.string(), state) == older);
  CHECK(*find_journal(older.parent_path().string(), state) == older);
  CHECK(*find_journal("b-older", state) == older);
  CHECK(*find_journal("", state) == newer);
}

TEST_CASE("what is not there is said with the place that was looked at") {
  Folder folder;
  for (const std::string name : {"", "run-1", "./file.ndjson"}) {
    CAPTURE(name);
    const auto found = find_journal(name, folder.path());
    REQUIRE_FALSE(found.ok());
    CHECK(found.error().code == Errc::not_found);
    CHECK_FALSE(found.error().where.empty());
  }
}

TEST_CASE("a path needs no state folder") {
  Folder folder;
  const Path file = folder.path() / "journal.ndjson";
  write_file(file, "x\n");
  const Error none{Errc::bad_input, "finding the state folder", "HOME is not set", ""};
  CHECK(find_journal(file.string(), none).ok());
  CHECK(find_journal("", none).error().code == Errc::bad_input);
  CHECK(find_journal("run-1", none).error().code == Errc::bad_input);
}
