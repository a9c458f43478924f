// Reading the files, and carrying their texts through the control socket.
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <functional>

#include "plan/example.hpp"

using namespace nightwell;
using namespace nightwell::tests;
namespace fs = std::filesystem;

namespace {

class Folder {
 public:
  Folder() {
    std::string name = (fs::temp_directory_path() / "nightwell-plan-XXXXXX").string();
    REQUIRE(mkdtemp(name.data()) != nullptr);
    path_ = name;
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder() {
    std::error_code ignored;
    fs::remove_all(path_, ignored);
  }
  [[nodiscard]] fs::path operator/(const std::string& name) const { return path_ / name; }

 private:
  fs::path path_;
};

void write(const fs::path& path, const std::string& text) {
  fs::create_directories(path.parent_path());
  std::ofstream(path, std::ios::binary) << text;
}

void write(const Folder& folder, const Example& files) {
  write(folder / "profile.json", files.profile.dump());
  write(folder / "bench/bench.json", files.bench.dump());
  write(folder / "job/job.json", files.job.dump());
  for (const auto& [path, card] : files.cards) write(folder / ("job/" + path), card.dump());
}

plan::InputFiles gather(const Folder& folder) {
  return plan::gather((folder / "profile.json").string(), (folder / "bench/bench.json").string(),
                      (folder / "job/job.json").string());
}

}  // namespace

TEST_CASE("gather reads the three files and the job's cards, relative to the job") {
  const Folder folder;
  auto files = example();
  set(files.bench, "/sources/bath/port", {{"type", "pty"}, {"path", "ports/bath"}});
  write(folder, files);
  const auto gathered = gather(folder);
  CHECK(gathered.cards.size() == 4);
  CHECK(gathered.cards.at("cards/t.json").text == files.cards.at("cards/t.json").dump());
  const auto loaded = plan::load(gathered, on());
  REQUIRE(std::holds_alternative<sequence::Plan>(loaded));
  CHECK(port_name(std::get<sequence::Plan>(loaded).sources[0].port) == "pty " + (folder / "bench/ports/bath").string());
}

TEST_CASE("what cannot be read is a fault beside the others, with the system's reason") {
  const Folder folder;
  auto files = example();
  set(files.job, "/items/0/channel", "nowhere");
  write(folder, files);
  fs::remove(folder / "profile.json");
  fs::remove(folder / "job/cards/pt.json");
  fs::remove(folder / "job/cards/t.json");
  fs::create_directory(folder / "job/cards/t.json");
  const std::string all = texts(faults_of(gather(folder)));
  INFO(all);
  CHECK_THAT(all, Catch::Contains("profile.json: found no file that can be read") && Catch::Contains("No such file"));
  CHECK_THAT(all,
             Catch::Contains("job.json: /items/1/card: found \"cards/pt.json\"") && Catch::Contains("No such file"));
  CHECK_THAT(
      all, Catch::Contains("job.json: /items/0/card: found \"cards/t.json\"") && Catch::Contains("not a regular file"));
  CHECK_THAT(all, Catch::Contains("/items/0/channel"));
}

TEST_CASE("a named pipe holds nobody up, and a device is no file") {
  const Folder folder;
  write(folder, example());
  fs::remove(folder / "profile.json");
  REQUIRE(mkfifo((folder / "profile.json").c_str(), 0600) == 0);
  CHECK(gather(folder).profile.unread == "it is not a regular file");
  CHECK(plan::gather("/dev/zero", "/dev/null", "/").job.unread == "it is not a regular file");
}

TEST_CASE("a large file is not read to its end") {
  const Folder folder;
  write(folder, example());
  write(folder / "profile.json", std::string(5 * plan::largest_file, ' '));
  const auto files = gather(folder);
  CHECK(files.profile.text.size() < 2 * plan::largest_file);
  CHECK_THAT(texts(faults_of(files)), Catch::Contains("allowed at most 1048576"));
}

TEST_CASE("files come through JSON as they were") {
  const Folder folder;
  auto files = example();
  set(files.job, "/customer_reference", "Kühlraum 4 °C \"a\\b\"");
  files.cards.erase("cards/pt.json");
  write(folder, files);
  const auto gathered = gather(folder);
  const auto sent = plan::files_to_json(gathered).dump();
  for (const auto& came : {plan::files_from_json(nlohmann::ordered_json::parse(sent)),
                           plan::files_from_json(nlohmann::json::parse(sent))}) {
    REQUIRE(came.ok());
    CHECK(came->profile.name == gathered.profile.name);
    CHECK(came->job.text == gathered.job.text);
    CHECK(came->bench_directory == gathered.bench_directory);
    CHECK(came->cards.size() == gathered.cards.size());
    CHECK(texts(faults_of(*came)) == texts(faults_of(gathered)));
  }
}

TEST_CASE("a script that the system could not run is told when it is looked at") {
  const Folder folder;
  auto files = example();
  files.bench["sources"]["bath"]["driver"] = {{"program", "own.py"}};
  write(folder, files);
  fs::permissions(folder / "bench", fs::perms(0755));
  const auto told_of = [&](const std::string& text) {
    write(folder / "bench/own.py", text);
    fs::permissions(folder / "bench/own.py", fs::perms(0755));
    return texts(faults_of(gather(folder)));
  };
  CHECK_THAT(told_of("#!/no/such/python3\n"), Catch::Contains("interpreter \"/no/such/python3\": No such file"));
  CHECK_THAT(told_of("#! /no/such/python3 -u\n"), Catch::Contains("interpreter \"/no/such/python3\""));
  CHECK_THAT(told_of("#!/bin/sh\r\n"), Catch::Contains("CR LF"));
  CHECK_THAT(told_of("#!\n"), Catch::Contains("no interpreter"));
  CHECK_THAT(told_of("import json\n"), Catch::Contains("#!/usr/bin/env python3"));
  CHECK_THAT(told_of(""), Catch::Contains("#!/usr/bin/env python3"));
  CHECK(told_of("#!/bin/sh").empty());
  CHECK(told_of("#!/bin/sh -e\n").empty());
  CHECK(told_of(std::string("\x7f") + "ELF\x02\x01\x01").empty());  // how far a program is whole, only the system knows
  fs::remove(folder / "bench/own.py");
  fs::create_directory(folder / "bench/own.py");
  CHECK_THAT(texts(faults_of(gather(folder))), Catch::Contains("name the program itself"));
}

TEST_CASE("a driver's program is frozen with its path, its arguments and its hash") {
  const Folder folder;
  auto files = example();
  files.bench["sources"]["bath"]["driver"] = {{"program", "own driver.sh"}, {"arguments", {"--port", ""}}};
  write(folder, files);
  CHECK_THAT(
      texts(faults_of(gather(folder))),
      Catch::Contains("/sources/bath/driver/program: found \"own driver.sh\"") && Catch::Contains("No such file"));
  write(folder / "bench/own driver.sh", "#!/bin/sh\n");
  CHECK_THAT(texts(faults_of(gather(folder))), Catch::Contains("chmod a+x"));
  fs::permissions(folder / "bench/own driver.sh", fs::perms(0777));
  CHECK_THAT(texts(faults_of(gather(folder))), Catch::Contains("chmod go-w"));
  fs::permissions(folder / "bench/own driver.sh", fs::perms(0755));
  fs::permissions(folder / "bench", fs::perms(0755));
  const auto gathered = gather(folder);
  // What sha256sum (coreutils) says of these ten bytes.
  const std::string digest = "a8076d3d28d21e02012b20eaf7dbf75409a6277134439025f282e368e3305abf";
  for (const auto& came : {gathered, *plan::files_from_json(plan::files_to_json(gathered))}) {
    const auto loaded = plan::load(came, on());
    REQUIRE(std::holds_alternative<sequence::Plan>(loaded));
    const auto& plan = std::get<sequence::Plan>(loaded);
    const auto source =
        std::find_if(plan.sources.begin(), plan.sources.end(), [](const auto& s) { return s.name == "bath"; });
    REQUIRE(source != plan.sources.end());
    CHECK(source->driver == "program");
    CHECK(source->program ==
          DriverProgram{"own driver.sh", (folder / "bench/own driver.sh").string(), {"--port", ""}, digest});
    CHECK(plan.files.at("own driver.sh") == digest);
  }
  files.bench["sources"]["bath"]["driver"]["arguments"] = {"a\nb", 1};
  files.bench["sources"]["bath"]["wire_log"] = true;
  write(folder, files);
  CHECK_THAT(texts(faults_of(gather(folder))), Catch::Contains("/sources/bath/driver/arguments/0") &&
                                                   Catch::Contains("/sources/bath/driver/arguments/1") &&
                                                   Catch::Contains("has the port itself"));
}

TEST_CASE("a file that is not UTF-8 is a fault on both sides, not a crash in between") {
  const Folder folder;
  write(folder, example());
  write(folder / "profile.json", "{\"profile\": \"\xb0\x80\"}");
  const auto came = plan::files_from_json(plan::files_to_json(gather(folder)));
  REQUIRE(came.ok());
  CHECK_THAT(texts(faults_of(*came)), Catch::Contains("UTF-8"));
  CHECK_FALSE(faults_of(gather(folder)).empty());
}

TEST_CASE("a request that is no set of files is refused with its place") {
  const auto good = plan::files_to_json(example().files());
  const auto refused = [&](const std::function<void(nlohmann::ordered_json&)>& bend) {
    auto bent = good;
    bend(bent);
    const auto came = plan::files_from_json(bent);
    REQUIRE_FALSE(came.ok());
    CHECK(came.error().code == Errc::bad_input);
    return came.error().text();
  };
  CHECK_THAT(refused([](auto& j) { j = 3; }), Catch::Contains("must be an object"));
  CHECK_THAT(refused([](auto& j) { j.erase("job"); }), Catch::Contains("job is missing"));
  CHECK_THAT(refused([](auto& j) { j["extra"] = 1; }), Catch::Contains("\"extra\" is unknown"));
  CHECK_THAT(refused([](auto& j) { j["profile"] = "text"; }), Catch::Contains("profile must be an object"));
  CHECK_THAT(refused([](auto& j) { j["profile"]["text"] = 1; }), Catch::Contains("must be a text"));
  CHECK_THAT(refused([](auto& j) { j["profile"].erase("text"); }), Catch::Contains("one of text and unread"));
  CHECK_THAT(refused([](auto& j) { j["profile"]["unread"] = "why"; }), Catch::Contains("one of text and unread"));
  CHECK_THAT(refused([](auto& j) { j["profile"].erase("name"); }), Catch::Contains("name is missing"));
  CHECK_THAT(refused([](auto& j) { j["profile"]["mode"] = "x"; }), Catch::Contains("unknown key \"mode\""));
  CHECK_THAT(refused([](auto& j) { j["cards"].push_back(j["cards"][0]); }), Catch::Contains("comes twice"));
  CHECK_THAT(refused([](auto& j) { j["cards"] = "none"; }), Catch::Contains("must be a list"));
  CHECK_THAT(refused([](auto& j) { j["bench_directory"] = "relative"; }), Catch::Contains("must be absolute"));
  CHECK_THAT(refused([](auto& j) {
               while (j["cards"].size() <= plan::most_cards) j["cards"].push_back(j["cards"][0]);
             }),
             Catch::Contains("cards"));
}

TEST_CASE("a card that did not come with a request is a fault at the job") {
  auto files = example().files();
  files.cards.erase("cards/t.json");
  const auto faults = faults_of(files);
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].file == "job");
  CHECK(faults[0].pointer == "/items/0/card");
}

TEST_CASE("without a date nothing can be judged by one") {
  CHECK_FALSE(faults_of(example(), on("")).empty());
  CHECK_FALSE(faults_of(example(), on("25.11.2026")).empty());
}
