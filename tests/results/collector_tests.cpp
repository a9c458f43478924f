// From records to results: which sweeps count, what an unfinished run gives, and what is refused.

#include "../journal/journal_fixture.hpp"
#include "night.hpp"

using namespace nightwell;
using namespace nightwell::results;
using namespace nightwell::results::fixture;

namespace {

const std::vector<NightChannel> channels = {{"R1", "reference"}, {"X1"}};
const std::map<std::string, std::vector<std::size_t>> orders = {{"mirrored", {0, 1, 1, 0}}, {"references", {0}}};

// The reference reads 20, the item the number of the sweep on top.
void mirrored(Night& night, const std::string& purpose = "capture", std::size_t plateau = 0) {
  const auto sweep = static_cast<double>(night.sweeps());
  night.sweep(
      "mirrored", 10 * sweep, {0, 1, 2, 3}, [=](std::size_t channel, double) { return channel == 0 ? 20 : 20 + sweep; },
      purpose, plateau);
}

Error refused(Night& night) {
  const auto computed = night.compute();
  REQUIRE_FALSE(computed);
  return computed.error();
}

}  // namespace

TEST_CASE("what the opening and the cards say stands in the results") {
  Night night(channels, orders);
  night.add("closing", {{"ending", "finished"}, {"why", "all done"}});
  const Results results = night.results();
  CHECK(results.run == "cold-store-0301");
  CHECK(results.job == "seed-bank-march");
  CHECK(results.profile == "cold-store");
  CHECK(results.bench == "bath-1");
  CHECK(results.customer_reference == "shelf 4");
  CHECK(results.program_version == "0.1.0");
  CHECK(results.ending == "finished");
  CHECK(results.ending_why == "all done");
  CHECK(results.speed == 1);
  CHECK(results.verification.head == std::string(64, 'a'));
  REQUIRE(results.channels.size() == 2);
  CHECK(results.channels[1].serial == "SB-X1");
  CHECK(results.channels[1].certificate == "C-X1");
  CHECK(results.channels[0].role == Role::reference);
  CHECK(results.plateaus.empty());
}

TEST_CASE("only capture sweeps of the plateau, within the range that it names, count") {
  Night night(channels, orders);
  night.plan(0, 20);
  night.plan(1, 40);
  mirrored(night);                // 0: before the range
  mirrored(night, "window");      // 1: not inside
  mirrored(night);                // 2
  mirrored(night, "capture", 1);  // 3: another plateau's
  mirrored(night, "watch");       // 4
  mirrored(night);                // 5
  mirrored(night);                // 6: behind the range
  night.close(0, 20, 1, 5);
  const Plateau plateau = night.results().plateaus.at(0);
  CHECK(plateau.sweeps == 2);
  CHECK(plateau.items[0].readings.n == 4);
  CHECK(*plateau.items[0].error_k == Approx((2 + 5) / 2.0));
}

TEST_CASE("with placement inside, window sweeps count") {
  Night night(channels, orders);
  night.plan(0, 20, "inside");
  for (int i = 0; i < 4; ++i) mirrored(night, "window");
  night.close(0, 20, 1, 3);
  const Plateau plateau = night.results().plateaus.at(0);
  CHECK(plateau.sweeps == 3);
  CHECK(*plateau.items[0].error_k == Approx(2));
}

TEST_CASE("a run that ended without closing gives the plateaus that closed, and says so") {
  Night night(channels, orders);
  night.plan(0, 20);
  night.plan(1, 40);
  mirrored(night);
  night.close(0, 20, 0, 0);
  mirrored(night, "capture", 1);
  const Results results = night.results();
  CHECK_FALSE(results.ending);
  REQUIRE(results.plateaus.size() == 1);
  REQUIRE(results.unclosed.size() == 1);
  CHECK(results.unclosed[0].index == 1);
  CHECK(results.unclosed[0].setpoint_c == 40);
}

TEST_CASE("a skipped plateau has no numbers, one that did not settle has its numbers and its outcome") {
  Night night(channels, orders);
  night.plan(0, 20);
  night.plan(1, 40);
  night.close(0, 20, std::nullopt, std::nullopt, "skipped", "asked");
  mirrored(night, "capture", 1);
  night.close(1, 40, 0, 0, "not_settled", "settle took longer than 3600 s");
  const Results results = night.results();
  CHECK(results.plateaus[0].outcome == "skipped");
  CHECK(results.plateaus[0].sweeps == 0);
  CHECK_FALSE(results.plateaus[0].items[0].error_k);
  CHECK(results.plateaus[1].outcome == "not_settled");
  CHECK(results.plateaus[1].why == "settle took longer than 3600 s");
  CHECK(results.plateaus[1].items[0].error_k);
}

TEST_CASE("items left out and survey findings are carried over; unknown kinds are passed by") {
  Night night(channels, orders);
  night.add("left_out", {{"channel", "X1"}, {"why", "open"}});
  night.add("survey", {{"findings", {{{"channel", "X1"}, {"finding", "outlier"}, {"text", "3 K off"}}}}});
  night.add("weather", {{"rain", true}});
  const Results results = night.results();
  CHECK(results.channels[1].left_out == "open");
  REQUIRE(results.findings.size() == 1);
  CHECK(results.findings[0].finding == "outlier");
}

TEST_CASE("records that are not as the document says are refused, by their n") {
  const auto with_sweep = [](const std::function<void(Json&)>& change) {
    Night night(channels, orders);
    night.plan(0, 20);
    mirrored(night);
    change(night.records().back().body);
    night.close(0, 20, 0, 0);
    return refused(night);
  };
  const Error shorter = with_sweep([](Json& body) { body["raw"].erase(0); });
  CHECK(shorter.code == Errc::damaged);
  CHECK(shorter.detail.rfind("record n 4 (sweep): ", 0) == 0);
  CHECK(with_sweep([](Json& body) { body.erase("at_s"); }).code == Errc::damaged);
  CHECK(with_sweep([](Json& body) { body["raw"][0] = "100"; }).code == Errc::damaged);
  CHECK(with_sweep([](Json& body) { body["at_s"][0] = nullptr; }).code == Errc::damaged);
  CHECK(with_sweep([](Json& body) { body["order"] = "zigzag"; }).code == Errc::damaged);
  CHECK(with_sweep([](Json& body) { body["plateau"] = 7; }).code == Errc::damaged);
  CHECK(with_sweep([](Json& body) { body["sweep"] = -1; }).code == Errc::damaged);
  CHECK(with_sweep([](Json& body) { body["sweep"] = 3; }).detail.find("none of the sweeps") != std::string::npos);
  CHECK(with_sweep([](Json& body) { body["faults"] = {{"x", {{"code", "open_sensor"}}}}; }).code == Errc::damaged);
  CHECK(with_sweep([](Json& body) { body["faults"] = 3; }).code == Errc::damaged);
}

TEST_CASE("a plateau needs a card for each channel, and one junction deep") {
  Night night(channels, orders);
  night.plan(0, 20);
  night.records().erase(night.records().begin() + 2);
  mirrored(night);
  night.close(0, 20, 0, 0);
  CHECK(refused(night).detail.find("X1 has no card") != std::string::npos);

  const Json model = {{"kind", "thermocouple"}, {"type", "T"}, {"deviation_uv", Json::array()}};
  Night deep({{"R1", "reference"},
              {"X1", "item", "voltage", model, {{"channel", 2}}},
              {"J1", "junction", "voltage", model, {{"channel", 1}}}},
             {{"o", {0, 1, 2}}});
  deep.plan(0, 20);
  deep.close(0, 20, std::nullopt, std::nullopt);
  CHECK(refused(deep).detail.find("needs a junction channel itself") != std::string::npos);

  Night outside({{"R1", "reference"}, {"X1", "item", "voltage", model, {{"channel", 9}}}}, {{"o", {0, 1}}});
  CHECK(refused(outside).code == Errc::damaged);
}

TEST_CASE("a journal of another kind is told apart") {
  Night other(channels, orders);
  other.records()[0].body["format"] = "nightwell-journal/3";
  CHECK(refused(other).code == Errc::bad_input);
  Night headless(channels, orders);
  headless.records().erase(headless.records().begin());
  CHECK(refused(headless).code == Errc::bad_input);
  Night empty(channels, orders);
  empty.records().clear();
  CHECK(refused(empty).code == Errc::bad_input);
}

TEST_CASE("a plateau closes once") {
  Night night(channels, orders);
  night.plan(0, 20);
  mirrored(night);
  night.close(0, 20, 0, 0);
  night.close(0, 20, 0, 0);
  CHECK(refused(night).code == Errc::damaged);
}

TEST_CASE("results of a file: cut at every byte it gives what had closed, and a changed value is damage") {
  journal::fixture::Folder folder;
  Night night(channels, orders);
  night.plan(0, 20);
  mirrored(night);
  night.close(0, 20, 0, 0);
  night.add("closing", {{"ending", "finished"}, {"why", ""}});
  auto writer = journal::Writer::create(folder / "j");
  REQUIRE(writer);
  for (const auto& record : night.records()) {
    Json fields = record.body;
    fields.erase("n");
    fields.erase("kind");
    REQUIRE((*writer).append(record.kind, fields, journal::fixture::stamp(1)));
  }
  const auto whole = compute(folder / "j");
  REQUIRE(whole);
  CHECK(whole->verification.head == (*writer).head());
  CHECK(*whole->plateaus.at(0).items[0].error_k == *night.results().plateaus.at(0).items[0].error_k);

  const std::string bytes = journal::fixture::bytes_of(folder / "j");
  const std::size_t opened = journal::fixture::offset_of(bytes, 1);
  const std::size_t closed = journal::fixture::offset_of(bytes, 6);
  for (std::size_t size = 0; size < bytes.size(); size += size + 200 < opened ? 97 : 1) {
    journal::fixture::write_bytes(folder / "cut", bytes.substr(0, size));
    const auto cut = compute(folder / "cut");
    INFO("cut at byte " << size);
    REQUIRE(cut.ok() == (size >= opened));
    if (!cut) continue;
    CHECK(cut->plateaus.size() == (size >= closed ? 1 : 0));
    CHECK_FALSE(cut->ending);
  }
  std::string changed = bytes;
  changed.replace(changed.find("20.0"), 4, "21.0");
  journal::fixture::write_bytes(folder / "changed", changed);
  CHECK(compute(folder / "changed").error().code == Errc::damaged);
  CHECK(compute(folder / "none").error().code == Errc::not_found);
}
