// The page against golden texts. A golden that is missing fails; NIGHTWELL_APPROVE=1 in the environment writes all of
// them anew (say in the commit why they changed).
#include "cli/watch_view.hpp"

#include <catch2/catch.hpp>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "cli/survey_text.hpp"
#include "cli/wording.hpp"
#include "status_example.hpp"

using nightwell::cli::bar;
using nightwell::cli::render;
using nightwell::cli::survey_text;
using nightwell::cli_test::status_example;
using nlohmann::json;

namespace {

const std::filesystem::path folder = std::filesystem::path(NIGHTWELL_SOURCE_DIR) / "tests/cli";

std::string text_of(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream out;
  out << file.rdbuf();
  return out.str();
}

std::vector<std::string> lines_of(const std::string& page) {
  std::vector<std::string> lines;
  std::istringstream in(page);
  for (std::string line; std::getline(in, line);) lines.push_back(line);
  return lines;
}

}  // namespace

TEST_CASE("the page of each state at three sizes of terminal") {
  const std::string name = GENERATE("settle", "capture", "waiting", "parked", "finished");
  const auto [columns, rows] = GENERATE(std::pair{80, 24}, std::pair{120, 40}, std::pair{50, 20});
  const std::string size = std::to_string(columns) + "x" + std::to_string(rows);
  CAPTURE(name, size);
  const std::string page = render(status_example(name), columns, rows) + "\n";
  const auto golden = folder / "golden" / (name + "-" + size + ".txt");
  if (std::getenv("NIGHTWELL_APPROVE") != nullptr) std::ofstream(golden, std::ios::binary) << page;
  REQUIRE(std::filesystem::exists(golden));
  CHECK(page == text_of(golden));
}

TEST_CASE("a page never outgrows its terminal") {
  const std::string name = GENERATE("settle", "capture", "waiting", "parked", "finished", "many");
  const json what = status_example(name);
  for (int columns : {1, 10, 30, 49, 80, 300})
    for (int rows : {1, 2, 5, 9, 16, 24, 60}) {
      CAPTURE(name, columns, rows);
      const auto lines = lines_of(render(what, columns, rows));
      CHECK(lines.size() <= static_cast<std::size_t>(rows));
      for (const auto& line : lines) CHECK(nightwell::cli::width(line) <= static_cast<std::size_t>(columns));
    }
}

TEST_CASE("a hundred plateaus are cut around the one that is on") {
  const std::string page = render(status_example("many"), 80, 24);
  CHECK(page.find("[>] 57 °C") != std::string::npos);
  CHECK(page.find("[ ] 58 °C") != std::string::npos);
  CHECK(page.find("88 more") != std::string::npos);
  CHECK(page.find("388 more") != std::string::npos);
}

TEST_CASE("without a limit of rows nothing is missing") {
  const std::string page = render(status_example("many"), 80, 0);
  CHECK(page.find("SB-T-400") != std::string::npos);
  CHECK(page.find("[ ] 99 °C") != std::string::npos);
  CHECK(page.find("more") == std::string::npos);
  CHECK(page.find("Ctrl-C") == std::string::npos);
}

TEST_CASE("a park that nobody confirmed stands out, even on the lowest terminal") {
  CHECK(render(status_example("parked"), 80, 8).find("NOT CONFIRMED") != std::string::npos);
  json safe = status_example("parked");
  safe["parked"]["confirmed"] = true;
  CHECK(render(safe, 80, 24).find("every source was seen to be safe") != std::string::npos);
  CHECK(render(safe, 80, 24).find("NOT CONFIRMED") == std::string::npos);
  safe["parked"]["untouched"] = true;  // its identity was never read: that nothing was told to it is not that it is off
  CHECK(render(safe, 80, 24).find("seen to be safe") == std::string::npos);
  CHECK(render(safe, 80, 24).find("NOT SEEN") != std::string::npos);
}

TEST_CASE("what was asked is not to be answered where no answer is taken") {
  json status = status_example("waiting");
  CHECK(render(status, 80, 40).find("then say: nightwell ready") != std::string::npos);
  status["state"] = "parked";
  CHECK(render(status, 80, 40).find("then say: nightwell ready") == std::string::npos);
}

TEST_CASE("a parked survey has no heat to speak of, and has not found that all is well") {
  json status = status_example("parked");
  status["parked"]["confirmed"] = true;
  status["sources"] = json::array();
  status["survey"] = {{"findings", json::array()}};
  status["ending"] = "parked";
  const std::string page = render(status, 80, 40);
  CHECK(page.find("this run had no heat source") != std::string::npos);
  CHECK(page.find("nothing found wrong") == std::string::npos);
  status["ending"] = "finished";
  CHECK(render(status, 80, 40).find("nothing found wrong") != std::string::npos);
}

TEST_CASE("a survey that did not finish does not say that all is well") {
  json status = {{"ending", "finished"},
                 {"survey", {{"findings", json::array()}}},
                 {"channels", json::array({{{"name", "c1"}, {"t_c", nullptr}}})}};
  CHECK(survey_text(status).find("nothing found wrong") != std::string::npos);
  status["ending"] = "parked";
  CHECK(survey_text(status).find("nothing found wrong") == std::string::npos);
  CHECK(survey_text(status).find("DID NOT FINISH") != std::string::npos);
}

TEST_CASE("whatever is missing or of another type is left out") {
  const json whole = status_example("settle");
  CHECK(render(json::object(), 80, 24).find("Ctrl-C") != std::string::npos);
  CHECK(render(json::array(), 80, 24).find("Ctrl-C") != std::string::npos);
  for (const auto& [key, value] : whole.items())
    for (const json& odd : {json(nullptr), json("text"), json(-3), json::array({1}), json{{"number", "x"}}}) {
      json broken = whole;
      broken[key] = odd;
      CAPTURE(key, odd.dump());
      CHECK_FALSE(render(broken, 80, 24).empty());
    }
}

TEST_CASE("names cannot reach the terminal with control characters") {
  json status_ = status_example("waiting");
  status_["job"] = "job\x1b[2J";
  status_["waiting_for"] = "line\nbreak\x07";
  status_["channels"][1]["serial"] =
      "\xc2\x9b"
      "31m";
  const std::string page = render(status_, 80, 40);
  for (char c : page) CHECK((c == '\n' || static_cast<unsigned char>(c) >= 0x20));
  CHECK(page.find("\xc2\x9b") == std::string::npos);
  CHECK(page.find("job\\x1b[2J") != std::string::npos);
}

TEST_CASE("only the whole fills the bar, and 100 % is not said before the end") {
  CHECK(bar(0.5, 8) == "[███░░░]");
  CHECK(bar(0.999, 8) == "[█████░]");
  CHECK(bar(1.0, 8) == "[██████]");
  CHECK(bar(-3, 4) == "[░░]");
  CHECK(bar(7, 4) == "[██]");
  json almost = status_example("settle");
  almost["progress"] = 0.9999;
  CHECK(render(almost, 80, 24).find("99 %") != std::string::npos);
}
