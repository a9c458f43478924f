#include "journal_fixture.hpp"

using namespace nightwell;
using namespace nightwell::journal;
using namespace nightwell::journal::fixture;

TEST_CASE("a follower gives whole lines as they come, each once") {
  Folder folder;
  Follower follower(folder / "j");
  CHECK(follower.next().error().code == Errc::not_found);
  auto writer = Writer::create(folder / "j");
  REQUIRE(follower.next());
  CHECK(follower.next()->empty());
  REQUIRE((*writer).append("note", {{"text", "one"}}, stamp(1)));
  REQUIRE((*writer).append("note", {{"text", "two"}}, stamp(2)));
  const auto lines = follower.next();
  REQUIRE(lines);
  REQUIRE(lines->size() == 2);
  CHECK(parse_line((*lines)[1])->body["text"] == "two");
  CHECK(follower.next()->empty());
  CHECK(follower.offset() == std::filesystem::file_size(folder / "j"));
}

TEST_CASE("a follower waits for the rest of a line") {
  Folder folder;
  write_small_journal(folder / "whole");
  const std::string bytes = bytes_of(folder / "whole");
  const std::size_t second = offset_of(bytes, 1);
  write_bytes(folder / "j", bytes.substr(0, second + 10));
  Follower follower(folder / "j");
  CHECK(follower.next()->size() == 1);
  CHECK(follower.next()->empty());
  write_bytes(folder / "j", bytes);
  CHECK(follower.next(2)->size() == 2);
  CHECK(follower.next()->size() == 3);
}

TEST_CASE("a follower goes on at an offset, and says so where the file became shorter") {
  Folder folder;
  write_small_journal(folder / "j");
  const std::string bytes = bytes_of(folder / "j");
  Follower follower(folder / "j", offset_of(bytes, 4));
  CHECK(follower.next()->size() == 2);
  write_bytes(folder / "j", bytes.substr(0, 100));
  CHECK(follower.next().error().code == Errc::damaged);
}
