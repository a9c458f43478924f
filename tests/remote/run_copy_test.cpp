#include "remote/run_copy.hpp"

#include <catch2/catch.hpp>
#include <fstream>
#include <sstream>

#include "small_journal.hpp"
#include "support/temporary_folder.hpp"

using namespace nightwell;
using remote::RunCopy;
using remote_test::SmallJournal;

namespace {

std::string content(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream out;
  out << file.rdbuf();
  return out.str();
}

void put(const std::filesystem::path& path, const std::string& bytes) {
  std::filesystem::create_directories(path.parent_path());
  std::ofstream(path, std::ios::binary) << bytes;
}

void ignore(std::string_view) {}

}  // namespace

TEST_CASE("a copy is the journal's bytes, and goes on where it stands") {
  const SmallJournal night(6);
  const tests::TemporaryFolder folder;
  const auto path = RunCopy::journal_in(folder / "copies", "night-1");
  {
    auto copy = RunCopy::open(folder / "copies", "night-1", ignore);
    REQUIRE(copy);
    CHECK(copy->take_check().lines() == 0);
    for (std::size_t i = 0; i < 3; ++i) copy->append(night.lines[i]);
    copy->append_head("head");
    REQUIRE(copy->write());
    REQUIRE(copy->sync());
    // One program at a time.
    CHECK_FALSE(RunCopy::open(folder / "copies", "night-1", ignore));
  }
  CHECK(content(path) == night.bytes(0, 3));
  std::string seen;
  auto again =
      RunCopy::open(folder / "copies", "night-1", [&](std::string_view line) { seen += std::string(line) + "\n"; });
  REQUIRE(again);
  CHECK(seen == night.bytes(0, 3));
  const auto check = again->take_check();
  CHECK(check.lines() == 3);
  CHECK(check.head() == night.hash(2));
  for (std::size_t i = 3; i < 6; ++i) again->append(night.lines[i]);
  REQUIRE(again->write());
  CHECK(content(path) == night.bytes());
  CHECK(content(path.parent_path() / "heads.ndjson") == "head\n");
  CHECK(journal::verify(path)->whole());
}

TEST_CASE("of a copy that was cut at any byte, whole lines stay and the unfinished one goes") {
  const SmallJournal night(3);
  const std::string bytes = night.bytes();
  for (std::size_t cut = 0; cut < bytes.size(); cut += 7) {
    const tests::TemporaryFolder folder;
    const auto path = RunCopy::journal_in(folder / "copies", "night-1");
    put(path, bytes.substr(0, cut));
    auto copy = RunCopy::open(folder / "copies", "night-1", ignore);
    REQUIRE(copy);
    const auto check = copy->take_check();
    REQUIRE(content(path) == night.bytes(0, check.lines()));
    REQUIRE(check.bytes() + copy->cut() == cut);
    for (std::size_t i = check.lines(); i < 3; ++i) copy->append(night.lines[i]);
    REQUIRE(copy->write());
    REQUIRE(content(path) == bytes);
  }
}

TEST_CASE("a copy that is damaged stays as it is") {
  const SmallJournal night(4);
  std::string bytes = night.bytes();
  bytes[night.lines[0].size() + 40] = 'X';
  const tests::TemporaryFolder folder;
  const auto path = RunCopy::journal_in(folder / "copies", "night-1");
  put(path, bytes);
  const auto copy = RunCopy::open(folder / "copies", "night-1", ignore);
  REQUIRE_FALSE(copy);
  CHECK(copy.error().code == Errc::damaged);
  CHECK(content(path) == bytes);
}

TEST_CASE("an unfinished head is cut off too") {
  const tests::TemporaryFolder folder;
  const auto heads = folder / "copies" / "night-1" / "heads.ndjson";
  put(heads, "one\ntwo");
  auto copy = RunCopy::open(folder / "copies", "night-1", ignore);
  REQUIRE(copy);
  copy->append_head("three");
  REQUIRE(copy->write());
  CHECK(content(heads) == "one\nthree\n");
}

TEST_CASE("a copy that is moved, removed or replaced while it is kept is an error") {
  const SmallJournal night(3);
  const tests::TemporaryFolder folder;
  const auto path = RunCopy::journal_in(folder / "copies", "night-1");
  const auto heads = path.parent_path() / "heads.ndjson";
  auto copy = RunCopy::open(folder / "copies", "night-1", ignore);
  REQUIRE(copy);
  copy->append(night.lines[0]);
  REQUIRE(copy->write());
  REQUIRE(copy->sync());
  std::string why;
  SECTION("its folder is gone") {
    std::filesystem::remove_all(path.parent_path());
    why = "removed or moved away";
  }
  SECTION("the heads are gone") {
    std::filesystem::rename(heads, folder / "elsewhere");
    why = "removed or moved away";
  }
  SECTION("another file has its name") {
    put(folder / "other", night.bytes(0, 1));
    std::filesystem::rename(folder / "other", path);
    why = "another file";
  }
  // Noticed without anything new, and with it.
  for (int i = 0; i < 2; ++i) {
    const auto synced = copy->sync();
    REQUIRE_FALSE(synced);
    CHECK(synced.error().code == Errc::storage);
    CHECK_THAT(synced.error().detail, Catch::Contains(why));
    copy->append(night.lines[1]);
    REQUIRE(copy->write());
  }
}
