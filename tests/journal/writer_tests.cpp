#include <sys/stat.h>

#include <cmath>
#include <limits>

#include "journal_fixture.hpp"

using namespace nightwell;
using namespace nightwell::journal;
using namespace nightwell::journal::fixture;
using Json = nlohmann::ordered_json;

TEST_CASE("a line has its keys in the order that the document gives") {
  Folder folder;
  auto writer = Writer::create(folder / "journal.ndjson");
  REQUIRE(writer);
  REQUIRE(*(*writer).append("note", {{"text", "door closed"}, {"value", 0.1}},
                            {"2026-03-01T21:14:05.000250Z", Instant{Duration{61'500'000}}}) == 0);
  CHECK(bytes_of(folder / "journal.ndjson") ==
        R"({"n":0,"utc":"2026-03-01T21:14:05.000250Z","up_s":61.500000,"kind":"note","text":"door closed","value":0.1,)"
        R"("prev":"0000000000000000000000000000000000000000000000000000000000000000"})"
        "\n");
}

TEST_CASE("a record without fields is a record") {
  Folder folder;
  auto writer = Writer::create(folder / "j");
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(0)));
  REQUIRE((*writer).append("tick", Json::object(), stamp(1)));
  const auto checked = verify(folder / "j");
  REQUIRE(checked);
  CHECK(checked->lines == 2);
  CHECK(checked->head == (*writer).head());
  CHECK_FALSE(checked->ending);
}

TEST_CASE("SHA-256 is that of FIPS 180-4") {
  // Examples of FIPS 180-2 appendix B, and of the empty message.
  CHECK(sha256_hex("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  CHECK(sha256_hex("") == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
  CHECK(sha256_hex("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq") ==
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
}

TEST_CASE("a journal is created once, readable by its group, whatever the umask") {
  Folder folder;
  const mode_t before = ::umask(077);
  auto writer = Writer::create(folder / "j");
  ::umask(before);
  REQUIRE(writer);
  struct stat facts {};
  REQUIRE(::stat((folder / "j").c_str(), &facts) == 0);
  CHECK((facts.st_mode & 0777) == 0640);
  const auto second = Writer::create(folder / "j");
  REQUIRE_FALSE(second);
  CHECK(second.error().code == Errc::storage);
}

TEST_CASE("a folder that is not there is a storage error, and so is a symbolic link in the journal's place") {
  Folder folder;
  CHECK(Writer::create(folder / "none/j").error().code == Errc::storage);
  std::filesystem::create_symlink(folder / "elsewhere", folder / "j");
  CHECK(Writer::create(folder / "j").error().code == Errc::storage);
  CHECK_FALSE(std::filesystem::exists(folder / "elsewhere"));
}

TEST_CASE("what cannot be written well is refused, and the writer lives on") {
  Folder folder;
  auto writer = Writer::create(folder / "j");
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(0)));
  const auto refused = [&](const char* kind, const Json& fields, const Stamp& at) {
    const auto result = (*writer).append(kind, fields, at);
    REQUIRE_FALSE(result);
    CHECK(result.error().code == Errc::bad_input);
    return result.error().detail;
  };
  CHECK(refused("note", {{"t_c", std::nan("")}}, stamp(1)).find("finite") != std::string::npos);
  refused("note", {{"t_c", {{"deep", std::numeric_limits<double>::infinity()}}}}, stamp(1));
  refused("note", {{"text", std::string(max_line_bytes, 'x')}}, stamp(1));
  refused("note", {{"prev", "mine"}}, stamp(1));
  refused("note", {{"n", 7}}, stamp(1));
  refused("note", Json::array({1}), stamp(1));
  refused("Note", Json::object(), stamp(1));
  refused("", Json::object(), stamp(1));
  refused("note", Json::object(), {"2026-03-01T21:14:05Z", Instant{}});
  refused("note", Json::object(), {"2026-03-01T21:14:05.000250Z", Instant{Duration{-1}}});
  Json deep = 1;
  for (int i = 0; i < 16; ++i) deep = Json::array({deep});
  refused("note", {{"deep", deep}}, stamp(1));
  CHECK((*writer).count() == 1);
  REQUIRE((*writer).append("note", {{"deep", deep[0]}}, stamp(1)));
  const auto checked = read(folder / "j", [](const Record&) {});
  REQUIRE(checked);
  CHECK(checked->lines == 2);
}

TEST_CASE("a line of exactly 64 KiB is written and read, one byte more is not written") {
  Folder folder;
  auto writer = Writer::create(folder / "j");
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(0)));
  REQUIRE((*writer).append("note", {{"text", ""}}, stamp(1)));
  const std::size_t rest = max_line_bytes - lines_of(bytes_of(folder / "j"))[1].size();
  CHECK((*writer).append("note", {{"text", std::string(rest + 1, 'x')}}, stamp(1)).error().code == Errc::bad_input);
  REQUIRE((*writer).append("note", {{"text", std::string(rest, 'x')}}, stamp(1)));
  CHECK(lines_of(bytes_of(folder / "j"))[2].size() == max_line_bytes);
  CHECK(verify(folder / "j"));
  CHECK(read(folder / "j", [](const Record&) {}));
}

TEST_CASE("nothing follows the closing record") {
  Folder folder;
  auto writer = Writer::create(folder / "j");
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(0)));
  REQUIRE((*writer).append("closing", {{"ending", "stopped"}, {"why", "asked"}}, stamp(0)));
  const auto late = (*writer).append("note", {{"text", "late"}}, stamp(1));
  REQUIRE_FALSE(late);
  CHECK(late.error().code == Errc::bad_input);
  CHECK(verify(folder / "j")->ending == "stopped");
}

TEST_CASE("numbers come back exactly") {
  Folder folder;
  const std::vector<double> numbers = {0.0,
                                       -0.0,
                                       0.1,
                                       1.0 / 3,
                                       100.0,
                                       1e22,
                                       1e-300,
                                       5e-324,
                                       -25.0000001,
                                       123456789.123456789,
                                       std::numeric_limits<double>::max(),
                                       std::nextafter(100.0, 101.0)};
  auto writer = Writer::create(folder / "j");
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(0)));
  REQUIRE((*writer).append("note", {{"raw", numbers}, {"big", UINT64_MAX}, {"small", INT64_MIN}}, stamp(1)));
  std::vector<Record> records;
  REQUIRE(read(folder / "j", [&](const Record& record) { records.push_back(record); }));
  const auto& raw = records.at(1).body["raw"];
  for (std::size_t i = 0; i < numbers.size(); ++i) {
    CHECK(raw[i].is_number_float());
    CHECK(raw[i].get<double>() == numbers[i]);
    CHECK(std::signbit(raw[i].get<double>()) == std::signbit(numbers[i]));
  }
  CHECK(records[1].body["big"].get<std::uint64_t>() == UINT64_MAX);
  CHECK(records[1].body["small"].get<std::int64_t>() == INT64_MIN);
}

TEST_CASE("a moment is written to the microsecond and read back the same") {
  Folder folder;
  auto writer = Writer::create(folder / "j");
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(1)));
  const std::vector<std::int64_t> moments = {0, 1, 999'999, 1'000'000, 50'400'000'001};
  for (const auto us : moments)
    REQUIRE((*writer).append("tick", Json::object(), {"2026-03-01T21:14:05.000250Z", Instant{Duration{us}}}));
  std::vector<std::int64_t> found;
  REQUIRE(read(folder / "j", [&](const Record& record) { found.push_back(record.up.since_open.count()); }));
  found.erase(found.begin());  // the opening's
  CHECK(found == moments);
}

TEST_CASE("a writer can be moved and goes on") {
  Folder folder;
  auto writer = Writer::create(folder / "j");
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(0)));
  Writer moved = std::move(writer).value();
  REQUIRE(moved.append("tick", Json::object(), stamp(1)));
  Writer assigned = std::move(Writer::create(folder / "other")).value();
  assigned = std::move(moved);
  REQUIRE(assigned.append("tick", Json::object(), stamp(2)));
  CHECK(verify(folder / "j")->lines == 3);
}
