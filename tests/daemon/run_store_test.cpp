// How runs of earlier days ended, read from the ends of their journals.
#include "daemon/run_store.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "journal/writer.hpp"
#include "support/temporary_folder.hpp"

using namespace nightwell;
using namespace nightwell::daemon;

namespace {

void write_run(const std::filesystem::path& folder, const char* file, bool opening, bool closing, bool sealed) {
  std::filesystem::create_directories(folder);
  auto writer = journal::Writer::create(folder / file);
  REQUIRE(writer);
  const journal::Stamp stamp{"2026-03-01T21:14:05.000250Z", Instant{}};
  if (opening) REQUIRE(writer->append("opening", {{"format", "nightwell-journal/2"}, {"bench", "one"}}, stamp));
  REQUIRE(writer->append("note", {{"text", "a"}}, stamp));
  if (closing) REQUIRE(writer->append("closing", {{"ending", "finished"}, {"why", ""}}, stamp));
  if (sealed) REQUIRE(writer->seal(nullptr));
}

}  // namespace

TEST_CASE("a journal ended where it is closed, with or without a seal, in whichever file and folder it ends") {
  const tests::TemporaryFolder folder;
  const auto runs = folder / "state/runs";
  write_run(runs / "a-sealed", "journal.ndjson", true, true, true);
  write_run(runs / "b-first-format", "journal.ndjson", true, true, false);
  write_run(runs / "c-killed", "journal.ndjson", true, false, false);
  write_run(runs / "d-went-on", "journal.ndjson", true, false, false);
  write_run(runs / "d-went-on", "journal-2.ndjson", false, true, true);
  write_run(runs / "e-elsewhere", "journal.ndjson", true, false, false);
  write_run(folder / "second/e-elsewhere", "journal-2.ndjson", false, true, true);
  const auto store = RunStore::open(folder / "state", folder / "second");
  REQUIRE(store);
  const auto list = store->list();
  REQUIRE(list.size() == 5);
  for (const auto& run : list) {
    INFO(run.run << " " << run.trouble);
    CHECK(run.ending.has_value() == (run.run != "c-killed"));
    CHECK(run.bench == "one");
  }
  CHECK(store->first_told("c-killed"));
  CHECK_FALSE(store->first_told("c-killed"));
}
