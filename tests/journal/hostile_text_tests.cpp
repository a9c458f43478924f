// Text from outside may hold anything; a record stays one line of printable ASCII, and a terminal sees no
// control.

#include <cstdlib>
#include <random>

#include "journal/plain_text.hpp"
#include "journal/utf8.hpp"
#include "journal_fixture.hpp"

using namespace nightwell::journal;
using namespace nightwell::journal::fixture;
using Json = nlohmann::ordered_json;

namespace {

// What a reader gets back: UTF-8 as it was, other bytes as U+FFFD and two hex digits.
std::string as_read_back(std::string_view text) {
  std::string out;
  while (!text.empty()) {
    const Utf8Step step = first_character(text);
    if (step.valid) {
      out += text.substr(0, step.length);
    } else {
      const char* digits = "0123456789abcdef";
      out += "\xef\xbf\xbd";
      out += digits[(step.character >> 4) & 15];
      out += digits[step.character & 15];
    }
    text.remove_prefix(step.length);
  }
  return out;
}

const std::vector<std::string>& hostile() {
  static const std::vector<std::string> texts = {"\x1b]52;c;cm0gLXJmIH4=\x07",  // writes the clipboard
                                                 "\x1b]0;root@host\x07",        // sets the title
                                                 "\x1b[?1049h\x1b[2J",          // clears the screen
                                                 "SB-01\",\"prev\":\"" + std::string(64, '0') + "\"}\n{\"n\":9}",
                                                 "\xe2\x80\xae"
                                                 "10-BS\xe2\x80\xac",          // right-to-left override
                                                 "\xe2\x81\xa6x\xe2\x81\xa9",  // isolate
                                                 "\xb0"
                                                 "C",  // Latin-1 degree sign
                                                 "\xc2\x9b"
                                                 "31m",  // C1 control sequence introducer
                                                 "\xc0\xaf",
                                                 "\xed\xa0\x80",
                                                 "\xf4\x90\x80\x80",
                                                 "\xff\xfe",
                                                 "\xe2\x82",
                                                 std::string("a\0b", 3),
                                                 "\r\n\t\x7f",
                                                 "\xe2\x80\xa8",
                                                 "\\u0041",
                                                 "caf\xc3\xa9 \xf0\x9f\x8c\xb1"};
  return texts;
}

}  // namespace

TEST_CASE("hostile serial numbers stay one line of printable ASCII and read back as documented") {
  Folder folder;
  auto writer = Writer::create(folder / "j");
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(0)));
  for (const auto& text : hostile()) REQUIRE((*writer).append("card", {{"serial", text}}, stamp(1)));
  const std::string bytes = bytes_of(folder / "j");
  CHECK(lines_of(bytes).size() == hostile().size() + 1);
  for (const char c : bytes) CHECK((c == '\n' || (c >= 0x20 && c < 0x7f)));
  std::size_t i = 0;
  REQUIRE(read(folder / "j", [&](const Record& record) {
    if (record.n == 0) return;
    CHECK(record.body["serial"].get<std::string>() == as_read_back(hostile()[i]));
    ++i;
  }));
  CHECK(bytes.find(R"("serial":"\ufffdb0C")") != std::string::npos);
}

TEST_CASE("any bytes at all, as value and as key") {
  const char* given = std::getenv("NIGHTWELL_SEED");
  const unsigned seed = given ? static_cast<unsigned>(std::strtoul(given, nullptr, 10)) : 20260302u;
  INFO("NIGHTWELL_SEED=" << seed);
  std::mt19937 random(seed);
  Folder folder;
  auto writer = Writer::create(folder / "j");
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(0)));
  std::vector<std::string> texts;
  for (int round = 0; round < 2000; ++round) {
    std::string text(random() % 40, '\0');
    for (char& c : text) c = static_cast<char>(random() % 256);
    texts.push_back(text);
    REQUIRE((*writer).append("note", {{"text", text}, {"k" + text, 1}}, stamp(1)));
  }
  std::size_t i = 0;
  const auto whole = read(folder / "j", [&](const Record& record) {
    if (record.n == 0) return;
    if (record.body["text"].get<std::string>() != as_read_back(texts[i])) FAIL("text " << i << " came back changed");
    if (!record.body.contains("k" + as_read_back(texts[i]))) FAIL("key " << i << " came back changed");
    ++i;
  });
  REQUIRE(whole);
  CHECK(whole->lines == texts.size() + 1);
  CHECK(verify(folder / "j"));
}

TEST_CASE("two keys that would become the same are refused") {
  Folder folder;
  auto writer = Writer::create(folder / "j");
  const auto result = (*writer).append("note",
                                       {{"files",
                                         {{"\xb0", 1},
                                          {"\xef\xbf\xbd"
                                           "b0",
                                           2}}}},
                                       stamp(1));
  REQUIRE_FALSE(result);
  CHECK(result.error().code == nightwell::Errc::bad_input);
}

TEST_CASE("printable shows controls as escapes and leaves the rest alone") {
  CHECK(printable("SB-T-01 \xc3\xa9 \xf0\x9f\x8c\xb1") == "SB-T-01 \xc3\xa9 \xf0\x9f\x8c\xb1");
  CHECK(printable("\x1b]52;c;cm0=\x07") == "\\x1b]52;c;cm0=\\x07");
  CHECK(printable("\x1b[?1049h") == "\\x1b[?1049h");
  CHECK(printable("a\r\n\tb\x7f") == "a\\x0d\\x0a\\x09b\\x7f");
  CHECK(printable(std::string_view("a\0b", 3)) == "a\\x00b");
  CHECK(printable("\xc2\x9b"
                  "31m") == "\\u009b31m");
  CHECK(printable("\xb0"
                  "C") == "\\xb0C");
  CHECK(printable("\xe2\x80\xae"
                  "10-BS") == "\\u202e10-BS");
  for (const char* bidi :
       {"\xd8\x9c", "\xe2\x80\x8e", "\xe2\x80\x8f", "\xe2\x80\xaa", "\xe2\x80\xab", "\xe2\x80\xac", "\xe2\x80\xad",
        "\xe2\x81\xa6", "\xe2\x81\xa7", "\xe2\x81\xa8", "\xe2\x81\xa9", "\xe2\x80\xa8", "\xe2\x80\xa9"})
    CHECK(printable(bidi).rfind("\\u", 0) == 0);
  CHECK(columns("\xc3\xa9\xf0\x9f\x8c\xb1"
                "a") == 3);
}
