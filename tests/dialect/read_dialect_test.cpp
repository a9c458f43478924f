// Faults of dialect files, each at its place, several in one go; and the bench that names a dialect.
#include "dialect/read_dialect.hpp"

#include <asio/io_context.hpp>
#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "drivers/registry.hpp"
#include "plan/loader.hpp"
#include "plan/object_reader.hpp"
#include "plan/plan_json.hpp"

using namespace nightwell;
using plan::Fault;
using Document = nlohmann::json;

namespace {

std::string text_of(const std::filesystem::path& path) {
  std::ifstream file(path);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

std::string dialect_path(const std::string& name) {
  return std::string(NIGHTWELL_SOURCE_DIR) + "/drivers/dialects/" + name + ".json";
}

Document bath() {
  return Document::parse(text_of(dialect_path("terse-bath")));
}
Document scanner() {
  return Document::parse(text_of(dialect_path("chatty-scanner")));
}

Document polled() {
  return Document::parse(text_of(dialect_path("polled-scanner")));
}

std::vector<Fault> dialect_faults(const Document& document) {
  plan::FaultList faults(50);
  (void)dialect::read_dialect(document, "d.json", faults);
  return std::move(faults).take();
}

// The texts of all faults, one a line.
std::string told(const std::vector<Fault>& faults) {
  std::string out;
  for (const Fault& fault : faults) out += plan::text(fault) + "\n";
  return out;
}

void bend(Document& document, const std::string& pointer, Document value) {
  document[Document::json_pointer(pointer)] = std::move(value);
}

struct Bent {
  const char* pointer;  // what is changed
  Document value;
  const char* at;  // where the fault is told
  const char* says;
};

}  // namespace

TEST_CASE("the shipped dialects are sound", "[dialect]") {
  CHECK(told(dialect_faults(bath())).empty());
  CHECK(told(dialect_faults(scanner())).empty());
  CHECK(told(dialect_faults(polled())).empty());
}

TEST_CASE("the document's worked examples are dialects", "[dialect]") {
  const std::string document = text_of(std::string(NIGHTWELL_SOURCE_DIR) + "/docs/dialects.md");
  const std::string opening = "{\n  \"format\": \"nightwell-dialect/1\"";
  int examples = 0;
  for (std::size_t at = document.find(opening); at != std::string::npos; at = document.find(opening, at + 1)) {
    const std::string block = document.substr(at, document.find("```", at) - at);
    INFO(block);
    CHECK(told(dialect_faults(Document::parse(block))).empty());
    ++examples;
  }
  CHECK(examples == 4);  // a bath, a scanner, one that takes its time, a controller behind registers
}

TEST_CASE("a driver is made of a dialect only where it is one for that kind of instrument (S15)", "[dialect]") {
  const instrument::Registry registry = drivers::registry();
  asio::io_context io{1};
  instrument::ConnectionSettings settings;
  settings.port = PtyPort{"/nowhere"};
  const auto source_of = [&](const std::string& json) {
    settings.dialect = json;
    return registry.sources.at(instrument::dialect_driver)(io, settings);
  };
  const auto scanner_of = [&](const std::string& json) {
    settings.dialect = json;
    return registry.scanners.at(instrument::dialect_driver)(io, settings);
  };
  CHECK(source_of(bath().dump()).ok());
  CHECK(scanner_of(scanner().dump()).ok());
  CHECK(source_of(scanner().dump()).error().code == Errc::bad_input);
  CHECK(scanner_of(bath().dump()).error().code == Errc::bad_input);  // whoever reads channels gets no heater
  for (const char* text : {"", "{", "null", "{\"format\": \"nightwell-dialect/1\"}"})
    CHECK(source_of(text).error().code == Errc::bad_input);
}

TEST_CASE("a command that the program needs and the file lacks is named", "[dialect]") {
  for (const char* name : {"identity", "target", "temperature", "output", "set_target", "output_on", "output_off"}) {
    Document document = bath();
    document["commands"].erase(name);
    const std::string all = told(dialect_faults(document));
    CHECK_THAT(all,
               Catch::Contains(std::string("/commands/") + name + ": found nothing, allowed the command \"" + name));
  }
  Document document = scanner();
  for (const char* quantity : {"voltage", "resistance", "current", "temperature"})
    document["commands"].erase(std::string("read_") + quantity);
  CHECK_THAT(told(dialect_faults(document)), Catch::Contains("\"read_resistance\""));
}

TEST_CASE("each fault of a heat source's dialect stands at its place", "[dialect]") {
  const std::vector<Bent> bends = {
      {"/commands/set_target/kind", "safe_setting", "/commands/set_target/kind", "heat_setting"},
      {"/commands/target/kind", "safe_setting", "/commands/target/kind", "query"},
      {"/commands/set_target/send", "S{who}", "/commands/set_target/send", "text into a command"},
      {"/commands/set_target/send", "S{flag}", "/commands/set_target/send", "use number with 0 decimals"},
      {"/commands/set_target/send", "S{t}{t}", "/commands/set_target/send", "at most one number"},
      {"/commands/set_target/send", "S", "/commands/set_target/send", "the target"},
      {"/commands/set_target/send", "S{t}\\x0D", "/commands/set_target/send", "line ends"},
      {"/commands/target/reply", "S{T}", "/commands/target/reply", "no field is named"},
      {"/commands/target/reply", "S{t}{flag}", "/commands/target/reply", "cannot be told"},
      {"/commands/target/reply", "S{", "/commands/target/reply", "{ without"},
      {"/commands/target/value", "heat", "/commands/target/value", "a field of the reply"},
      {"/commands/output/value", nullptr, "/commands/output/value", ""},
      {"/commands/taget", {{"kind", "query"}, {"send", "x"}, {"reply", "y"}}, "/commands/taget", "target"},
      {"/commands/target/mask", 3, "/commands/target/mask", "error"},
      {"/fields/t/unit", "volt", "/commands/target/value", "units of temperature"},
      {"/fields/t/decimals", 12, "/fields/t/decimals", "0 to 9"},
      {"/fields/t/factor", 0, "/fields/t/factor", "other than 0"},
      {"/fields/t/colour", "red", "/fields/t/colour", ""},
      {"/fields/heat/on", Document::array(), "/fields/heat/on", ""},
      {"/line/command_end", "NUL", "/line/command_end", "CRLF"},
      {"/line/checksum/kind", "md5", "/line/checksum/kind", "crc16_modbus"},
      {"/line/checksum/order", "low_first", "/line/checksum/order", "one byte"},
      {"/line/reply_end", "none", "/commands/identity/reply_bytes", "length of the reply"},
      {"/start_up/0/command", "output_on", "/start_up/0/command", "steps never heat"},
      {"/commands/remote/send", "H1", "/commands/remote/send", "behind the guardian's back"},
      {"/commands/remote/send", "S+600.00", "/commands/remote/send", "other bytes than those of \"set_target\""},
      {"/commands/temperature/send", "H1", "/commands/temperature/send", "behind the guardian's back"},
      {"/park/0/command", "set_target", "/park/0/command", "steps never heat"},
      {"/park/0/command", "go_to_standbye", "/park/0/command", "go_to_standby"},
      {"/park/0/expect/query", "take_remote", "/park/0/expect/query", "query"},
      {"/park/0/number", 3, "/park/0/number", "no number"},
      {"/limits/highest_c", -50, "/limits/highest_c", "above lowest_c"},
      {"/for", "oven", "/for", "heat_source"},
      {"/revision", 0, "/revision", "1 to"},
      {"/refused/0", 7, "/refused/0", "template"},
      {"/surprise", 1, "/surprise", ""}};
  for (const Bent& one : bends) {
    Document document = bath();
    bend(document, one.pointer, one.value);
    const auto faults = dialect_faults(document);
    INFO(one.pointer << " = " << one.value.dump() << "\n" << told(faults));
    const bool there = std::any_of(faults.begin(), faults.end(), [&](const Fault& fault) {
      return fault.file == "d.json" && fault.pointer == one.at && plan::text(fault).find(one.says) != std::string::npos;
    });
    CHECK(there);
  }
}

TEST_CASE("a scanner's dialect heats nothing and says what each channel is called", "[dialect]") {
  const std::vector<Bent> bends = {
      {"/commands/configure_resistance/kind", "heat_setting", "/commands/configure_resistance/kind", "heats nothing"},
      {"/park", Document::array({Document::object()}), "/park", "only a heat source"},
      {"/fields/ch/highest", 100, "/fields/ch/highest", "at least lowest"},
      {"/fields/ch/names", {{"1", "A;B"}}, "/fields/ch/names/1", "letters and digits"},
      {"/fields/x/unit", "ohm", "/commands/read_resistance/value", "one unit"},
      {"/commands/read_voltage/choose", "wires", "/commands/read_voltage/choose", "a command of this dialect"},
      {"/commands/read_voltage/choose", "identity", "/commands/read_voltage/choose", "a channel field"},
      {"/commands/read_voltage/choose", "configure_resistance", "/commands/read_voltage/choose", "names its channel"},
      {"/commands/identity/choose", "configure_resistance", "/commands/identity/choose", "only what reads"},
      {"/commands/identity/when_ready", {{"query", "identity"}}, "/commands/identity/when_ready", "only what reads"},
      {"/commands/read_current/reply", "{ch}: {x} {x_volts}", "/commands/read_current/value", "units of current"}};
  for (const Bent& one : bends) {
    Document document = scanner();
    bend(document, one.pointer, one.value);
    const auto faults = dialect_faults(document);
    INFO(one.pointer << "\n" << told(faults));
    const bool there = std::any_of(faults.begin(), faults.end(), [&](const Fault& fault) {
      return fault.pointer == one.at && plan::text(fault).find(one.says) != std::string::npos;
    });
    CHECK(there);
  }
}

TEST_CASE("a choice of channel that could get lost unseen is refused", "[dialect]") {
  Document document = scanner();
  document["commands"]["read_voltage"] = {{"kind", "query"},
                                          {"send", "read volt"},
                                          {"reply", "{x} {x_volts}"},
                                          {"value", "x"},
                                          {"choose", "configure_resistance"}};
  REQUIRE(dialect_faults(document).size() == 1);
  CHECK(plan::text(dialect_faults(document).front()).find("a choice that shows") != std::string::npos);
  Document answered = document;
  answered["commands"]["configure_resistance"]["reply"] = "as you say";
  CHECK(told(dialect_faults(answered)) == "");
  document["commands"]["read_voltage"]["reply"] = "{ch}: {x} {x_volts}";
  CHECK(told(dialect_faults(document)) == "");
}

TEST_CASE("each fault of a reading that is waited for stands at its place", "[dialect]") {
  const std::string reading = "/commands/read_voltage", ready = reading + "/when_ready";
  const std::vector<std::tuple<std::string, Document, std::string, const char*>> cases = {
      {reading + "/begin", "take_volts", reading + "/begin", "take_voltage"},
      {reading + "/begin", "state", reading + "/begin", "a command marked safe_setting"},
      {reading + "/begin", nullptr, reading + "/begin", ""},
      {"/commands/take_voltage/reply", Document::array(), "/commands/take_voltage/reply", ""},
      {ready, 7, ready, ""},
      {ready + "/query", "stat", ready + "/query", "\"state\""},
      {ready + "/query", "take_current", ready + "/query", "a command marked query"},
      {ready + "/query", "identity", ready + "/query", "an integer field"},
      {ready + "/colour", "red", ready + "/colour", ""},
      {ready + "/is", 2, ready + "/is", "bits of the mask"},
      {ready + "/is", -1, ready + "/is", "0 to"},
      {ready + "/is", true, ready + "/is", ""},
      {ready + "/mask", 0, ready + "/mask", "1 to"},
      {ready + "/every_ms", 9, ready + "/every_ms", "10 to 10000"},
      {ready + "/within_s", 121, ready + "/within_s", "0.1 to 120"},
      {ready + "/within_s", "soon", ready + "/within_s", ""},
      {ready + "/every_ms", 10'000, "", ""},  // as long as within_s: asked twice
  };
  for (const auto& [pointer, value, at, says] : cases) {
    Document document = polled();
    bend(document, pointer, value);
    const auto faults = dialect_faults(document);
    INFO(pointer << " = " << value.dump() << "\n" << told(faults));
    if (at.empty()) {
      CHECK(faults.empty());
      continue;
    }
    const bool there = std::any_of(faults.begin(), faults.end(), [&, &at = at, &says = says](const Fault& fault) {
      return fault.pointer == at && plan::text(fault).find(says) != std::string::npos;
    });
    CHECK(there);
  }
  for (const char* key : {"query", "is", "every_ms", "within_s"}) {
    Document document = polled();
    document["commands"]["read_voltage"]["when_ready"].erase(key);
    CHECK_THAT(told(dialect_faults(document)), Catch::Contains(ready + "/" + key));
  }
}

TEST_CASE("words of readiness must be words that the question can be answered with", "[dialect]") {
  Document document = polled();
  Document& ready = document["commands"]["read_voltage"]["when_ready"];
  ready["is"] = "state 1";
  CHECK_THAT(told(dialect_faults(document)), Catch::Contains("/when_ready/mask"));
  ready.erase("mask");
  CHECK(told(dialect_faults(document)).empty());
  ready["is"] = {"state 1", "state 3"};
  CHECK(told(dialect_faults(document)).empty());
  ready["is"] = {"state 1", "ready"};
  CHECK_THAT(told(dialect_faults(document)), Catch::Contains("it would never be ready"));
  ready["is"] = {"state 1", 3};
  CHECK_THAT(told(dialect_faults(document)), Catch::Contains("/when_ready/is/1"));
  ready["is"] = "state 1";
  ready["every_ms"] = 5000;
  ready["within_s"] = 4;
  CHECK_THAT(told(dialect_faults(document)), Catch::Contains("at least every_ms"));
}

TEST_CASE("a start that could get lost unseen is refused: the instrument would be ready with the reading before",
          "[dialect]") {
  Document document = polled();
  document["commands"]["take_voltage"].erase("reply");
  // An error queue does not show what was never heard.
  document["commands"]["error"] = {{"kind", "query"}, {"send", "e?"}, {"reply", "{bits}"}, {"value", "bits"}};
  CHECK_THAT(told(dialect_faults(document)),
             Catch::Contains("/commands/read_voltage/begin") && Catch::Contains("a start that shows"));

  Document unbegun = polled();
  unbegun["commands"]["read_voltage"].erase("begin");
  unbegun["commands"].erase("take_voltage");
  CHECK_THAT(told(dialect_faults(unbegun)),
             Catch::Contains("/commands/read_voltage/when_ready: found nothing that begins it"));
  unbegun["commands"]["in"] = {{"kind", "safe_setting"}, {"send", "in {ch}"}};
  unbegun["commands"]["read_voltage"]["choose"] = "in";
  CHECK_THAT(told(dialect_faults(unbegun)),
             Catch::Contains("/commands/read_voltage/when_ready: found nothing that begins it"));
  unbegun["commands"]["in"]["reply"] = "in {ch}";
  CHECK(told(dialect_faults(unbegun)).empty());

  Document numbered = polled();
  numbered["fields"]["k"] = {{"type", "number"}, {"decimals", 1}};
  numbered["commands"]["take_voltage"]["send"] = "take {k}";
  CHECK_THAT(told(dialect_faults(numbered)), Catch::Contains("a command without a number"));
}

TEST_CASE("several faults are told in one go", "[dialect]") {
  Document document = bath();
  document["commands"].erase("identity");
  bend(document, "/line/reply_end", "NUL");
  bend(document, "/fields/t/unit", "degrees");
  CHECK(dialect_faults(document).size() >= 3);
}

TEST_CASE("a dialect that is too long for one record is refused", "[dialect]") {
  Document document = bath();
  for (int i = 0; i < 60; ++i) document["fields"]["f" + std::to_string(i)] = {{"type", "text"}};
  for (int i = 0; i < 50; ++i)
    document["commands"]["c" + std::to_string(i)] = {
        {"kind", "query"}, {"send", std::string(900, 'x')}, {"reply", "y"}};
  CHECK_THAT(told(dialect_faults(document)), Catch::Contains("one record"));
}

// ---- with a bench ----

namespace {

plan::InputFiles demo_files() {
  const std::string top = NIGHTWELL_SOURCE_DIR;
  plan::InputFiles files =
      plan::gather(top + "/profiles/cold-store.json", top + "/demo/bench.json", top + "/demo/job.json");
  Document bench = Document::parse(files.bench.text);
  bench["sources"]["bath"]["driver"] = {{"dialect", "terse-bath.json"}};
  bench["scanners"]["scanner-a"]["driver"] = {{"dialect", "chatty-scanner.json"}};
  files.bench.text = bench.dump();
  for (const char* name : {"terse-bath", "chatty-scanner"})
    files.dialects[std::string(name) + ".json"] =
        plan::FileText{std::string(name) + ".json", text_of(dialect_path(name)), ""};
  return files;
}

plan::LoadResult loaded(const plan::InputFiles& files) {
  plan::LoadOptions options;
  options.today = "2026-11-26";
  return plan::load(files, options);
}

std::string told(const plan::LoadResult& result) {
  const auto* faults = std::get_if<std::vector<Fault>>(&result);
  return faults ? told(*faults) : "";
}

}  // namespace

TEST_CASE("a plan freezes the dialects of its bench, with their hashes", "[dialect]") {
  const auto result = loaded(demo_files());
  INFO(told(result));
  const auto* made = std::get_if<sequence::Plan>(&result);
  REQUIRE(made != nullptr);
  CHECK(made->scanners.at(0).driver == "dialect");
  CHECK(made->sources.at(0).dialect.file == "terse-bath.json");
  CHECK(dialect::dialect_from(made->sources.at(0).dialect.json).ok());
  CHECK(made->files.contains("terse-bath.json"));
  const auto records = plan::dialect_records(*made);
  REQUIRE(records.size() == 2);
  CHECK(records[1]["file"] == "terse-bath.json");
  CHECK(Document::parse(records[1]["dialect"].dump()) == bath());
  CHECK(plan::plan_record(*made)["sources"][0]["dialect"] == "terse-bath.json");
}

TEST_CASE("what a bench asks of a dialect and does not get is told where it asks", "[dialect]") {
  plan::InputFiles files = demo_files();
  const auto bent_bench = [&](const std::string& pointer, Document value) {
    plan::InputFiles out = files;
    Document bench = Document::parse(files.bench.text);
    bend(bench, pointer, std::move(value));
    out.bench.text = bench.dump();
    return told(loaded(out));
  };
  CHECK_THAT(bent_bench("/channels/probe-1/address", 170), Catch::Contains("/channels/probe-1/address: found 170"));
  CHECK_THAT(bent_bench("/sources/bath/highest_c", 160), Catch::Contains("limits of dialect terse-bath"));
  CHECK_THAT(bent_bench("/sources/bath/driver/dialect", "chatty-scanner.json"),
             Catch::Contains("a dialect for a heat_source"));
  CHECK_THAT(bent_bench("/sources/bath/driver/dialect", "none.json"), Catch::Contains("relative to the bench file"));
  CHECK_THAT(bent_bench("/sources/bath/driver/dialekt", "x"), Catch::Contains("/sources/bath/driver/dialekt"));

  Document lacking = scanner();
  lacking["commands"].erase("read_voltage");
  files.dialects["chatty-scanner.json"].text = lacking.dump();
  CHECK_THAT(told(loaded(files)), Catch::Contains("/channels/probe-1/measures") && Catch::Contains("read_voltage"));
  files.dialects["chatty-scanner.json"].text = "{\"format\": ";
  CHECK_THAT(told(loaded(files)), Catch::Contains("chatty-scanner.json: line 1"));
}

TEST_CASE("files with dialects go over the control socket and come back the same", "[dialect]") {
  const auto files = demo_files();
  const auto back = plan::files_from_json(plan::files_to_json(files));
  REQUIRE(back.ok());
  CHECK(back->dialects.size() == 2);
  CHECK(back->dialects.at("terse-bath.json").text == files.dialects.at("terse-bath.json").text);
}
