// Sweeps read straight as numbers: taken only where the general reader takes the line too, and with the same values.

#include <cmath>
#include <random>

#include "journal/strict_json.hpp"
#include "journal/sweep_record.hpp"
#include "journal_fixture.hpp"

using namespace nightwell;
using namespace nightwell::journal;
using nightwell::journal::fixture::Folder;
using SweepJson = nlohmann::ordered_json;

namespace {

// A line with `fields` in it, as the writer would write it.
std::string sweep_line(const std::string& fields) {
  return R"({"n":7,"utc":"2026-03-01T21:14:05.000250Z","up_s":61.500000,"kind":"sweep",)" + fields + R"(,"prev":")" +
         std::string(64, 'a') + "\"}";
}

const std::string before_lists = R"("sweep":3,"order":"mirrored","purpose":"capture","plateau":2,"started_s":60.25,)";
const std::string lists = R"("at_s":[0.0,0.012493,1.5e-05],"raw":[100.390512,-3.4e-07,null])";

std::vector<std::string> usual_lines() {
  return {
      sweep_line(before_lists + lists),
      sweep_line(before_lists + lists + R"(,"t_c":[0.30000000000000004,-29.503061423967864,null])"),
      sweep_line(before_lists + lists +
                 R"(,"faults":{"2":{"code":"open_sensor","text":"\u00b0 \"9.9E37\""},"0":{"text":"x","code":"y"}})"),
      sweep_line(R"("sweep":0,"order":"references","purpose":"watch","plateau":null,"started_s":0.0,)" + lists),
      sweep_line(before_lists + R"("at_s":[],"raw":[],"faults":{},"t_c":[])"),
      sweep_line(before_lists + R"("at_s":[0,-0,999999999999999],"raw":[-0.0,1E5,179769313486231e294])")};
}

// What the general reader makes of a line that read_sweep has taken.
void check_same(const std::string& line, const SweepRecord& sweep) {
  INFO(line);
  SweepJson body;
  REQUIRE_FALSE(strict_json::parse(line, body));
  CHECK(body.at("sweep").get<std::uint64_t>() == sweep.sweep);
  CHECK(body.at("order").get<std::string>() == sweep.order);
  CHECK(body.at("purpose").get<std::string>() == sweep.purpose);
  CHECK(body.at("plateau").is_null() == !sweep.plateau.has_value());
  if (sweep.plateau) CHECK(body.at("plateau").get<std::uint64_t>() == *sweep.plateau);
  CHECK(body.at("started_s").get<double>() == sweep.started_s);
  CHECK(body.at("at_s").get<std::vector<double>>() == sweep.at_s);
  const auto& raw = body.at("raw");
  REQUIRE(raw.size() == sweep.raw.size());
  for (std::size_t i = 0; i < raw.size(); ++i) {
    REQUIRE(raw[i].is_null() == !sweep.raw[i].has_value());
    if (!sweep.raw[i]) continue;
    CHECK(raw[i].get<double>() == *sweep.raw[i]);
    CHECK(std::signbit(raw[i].get<double>()) == std::signbit(*sweep.raw[i]));
  }
  const auto faults = body.value("faults", SweepJson::object());
  REQUIRE(faults.size() == sweep.faults.size());
  for (const auto& fault : sweep.faults)
    CHECK(faults.at(std::to_string(fault.position)).at("code").get<std::string>() == fault.code);
}

// One change of a byte or a few: a digit, a mark of the grammar, a piece left out, repeated, or put elsewhere.
std::string changed(std::string line, std::mt19937& random) {
  const auto below = [&](std::size_t limit) {
    return std::uniform_int_distribution<std::size_t>(0, limit - 1)(random);
  };
  constexpr std::string_view bytes = "0123456789-+.eE\",:[]{}nul\\ sxr";
  const std::size_t at = below(line.size()), length = 1 + below(12);
  switch (below(4)) {
    case 0: line[at] = bytes[below(bytes.size())]; break;
    case 1: line.insert(at, 1, bytes[below(bytes.size())]); break;
    case 2: line.erase(at, length); break;
    default: line.insert(below(line.size()), line.substr(at, length)); break;
  }
  return line;
}

}  // namespace

TEST_CASE("sweeps of the usual shape are read as numbers, the same that the general reader gives") {
  for (const auto& line : usual_lines()) {
    INFO(line);
    SweepRecord sweep;
    REQUIRE(read_sweep(line, sweep));
    check_same(line, sweep);
  }
}

TEST_CASE("whatever is of another shape, or wrong, is left to the general reader") {
  for (const std::string& fields : {
           before_lists + R"("at_s":[0.0])",                                           // no raw
           before_lists + R"("at_s":[0.0],"raw":["100"])",                             // a text
           before_lists + R"("at_s":[null],"raw":[1.0])",                              // a moment that is null
           before_lists + R"("at_s":[0.0],"raw":[[1.0]])",                             // a list too deep
           before_lists + R"("at_s":[0.0],"raw":[{"1":{"code":"a"}}])",                // an object
           before_lists + R"("at_s":[0.0],"raw":1.0)",                                 // no list
           before_lists + R"("at_s":[0.0],"raw":[100.0000000000000001])",              // more digits than a double has
           before_lists + R"("at_s":[0.0],"raw":[1e999])",                             // beyond a double
           before_lists + R"("at_s":[0.0],"raw":[1234567890123456])",                  // perhaps more digits
           before_lists + R"("at_s":[0.0],"raw":[01.0])",                              // no JSON
           before_lists + R"("at_s":[0.0],"raw":[1.])",                                // no JSON
           before_lists + lists + R"(,"raw":[1.0])",                                   // a key twice
           before_lists + lists + R"(,"weather":"rain")",                              // a key of later versions
           before_lists + lists + R"(,"odd":{"1":"+9.9E37"})",                         // odd replies
           before_lists + lists + R"(,"faults":{"1":{"text":"x"}})",                   // no code
           before_lists + lists + R"(,"faults":{"1":{"code":"x"},"1":{"code":"y"}})",  // a key twice
           before_lists + lists + R"(,"faults":{"1":{"code":"x","code":"y"}})",        // a key twice
           before_lists + lists + R"(,"faults":{"x":{"code":"x"}})",                   // no position
           before_lists + lists + R"(,"faults":{"1":"x"})",                            // no object
           before_lists + lists + R"(,"faults":[])",                                   // no object
           R"("sweep":-3,"order":"o","purpose":"p","plateau":0,"started_s":0.0,)" + lists,  // no count
           R"("sweep":3.0,"order":"o","purpose":"p","plateau":0,"started_s":0.0,)" + lists,
           R"("sweep":3,"order":"\u006f","purpose":"p","plateau":0,"started_s":0.0,)" + lists,
           R"("sweep":3,"order":null,"purpose":"p","plateau":0,"started_s":0.0,)" + lists,
           R"("sweep":3,"order":"o","purpose":"p","plateau":true,"started_s":0.0,)" + lists,
           R"("sweep":3,"order":"o","purpose":"p","plateau":0,"started_s":null,)" + lists,
       }) {
    INFO(fields);
    SweepRecord sweep;
    CHECK_FALSE(read_sweep(sweep_line(fields), sweep));
  }
  SweepRecord sweep;
  for (const char* line : {"", "{}", "[]", "5", "\"sweep\"", "{\"sweep\":"}) CHECK_FALSE(read_sweep(line, sweep));
}

TEST_CASE("of 60 000 changed lines, none is read as numbers that the general reader refuses or reads otherwise") {
  std::mt19937 random(20260301);
  std::size_t taken = 0;
  for (const auto& line : usual_lines())
    for (int i = 0; i < 10'000; ++i) {
      std::string bad = changed(line, random);
      if (i % 3 == 0) bad = changed(bad, random);
      SweepRecord sweep;
      if (!read_sweep(bad, sweep)) continue;
      ++taken;
      check_same(bad, sweep);
    }
  CHECK(taken > 3000);  // a digit for a digit is a good line
}

TEST_CASE("both ways of reading see the same records in the same order, the same head and the same damage") {
  Folder folder;
  const auto path = folder / "journal.ndjson";
  {
    auto writer = Writer::create(path);
    REQUIRE(writer);
    const auto append = [&](const char* kind, const SweepJson& fields) {
      REQUIRE((*writer).append(kind, fields, fixture::stamp(static_cast<int>((*writer).count()))));
    };
    append("opening", {{"format", "nightwell-journal/1"}});
    SweepJson sweep = {{"sweep", 0},         {"order", "straight"}, {"purpose", "watch"},      {"plateau", nullptr},
                       {"started_s", 60.25}, {"at_s", {0.0, 0.25}}, {"raw", {100.25, nullptr}}};
    append("sweep", sweep);
    sweep["odd"] = {{"0", "+1.0025E+02"}};
    append("sweep", sweep);
    append("closing", {{"ending", "finished"}, {"why", ""}});
  }
  struct Seen {
    std::vector<std::string> records;
    Result<Verification> end = Verification{};
  };
  const auto both = [&](bool as_numbers) {
    Seen out;
    const auto record = [&](const Record& one) { out.records.push_back(one.kind + std::to_string(one.n)); };
    const auto sweep = [&](const SweepRecord& one) {
      out.records.push_back("sweep" + std::to_string(one.n));
      CHECK(one.n == 1);
      CHECK(one.utc == "2026-03-01T21:14:05.000250Z");
      CHECK(one.up == fixture::stamp(1).up);
      CHECK(one.offset == fixture::offset_of(fixture::bytes_of(path), 1));
    };
    out.end = as_numbers ? read(path, record, sweep) : read(path, record);
    return out;
  };
  CHECK(both(true).records == std::vector<std::string>{"opening0", "sweep1", "sweep2", "closing3"});
  CHECK(both(true).records == both(false).records);
  CHECK(both(true).end->head == both(false).end->head);
  CHECK(both(true).end->ending == "finished");

  const std::string good = fixture::bytes_of(path);
  for (const std::string wrong :
       {R"("raw":[1e999,null])", R"("raw":[1.0,2.0],"raw":[100.25,null])", R"("raw":[100.26,null])"}) {
    std::string bad = good;
    const std::string right = R"("raw":[100.25,null])";
    bad.replace(bad.find(right), right.size(), wrong);
    fixture::write_bytes(path, bad);
    const auto fast = both(true), slow = both(false);
    REQUIRE_FALSE(fast.end.ok());
    REQUIRE_FALSE(slow.end.ok());
    CHECK(fast.end.error().text() == slow.end.error().text());
    CHECK(fast.records == slow.records);
  }
}
