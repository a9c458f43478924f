#include "journal/record_words.hpp"

#include <catch2/catch.hpp>
#include <fstream>
#include <set>

using nightwell::journal::Record;
using nightwell::journal::RecordWords;
using Json = nlohmann::ordered_json;

namespace {

// Feeds records as a journal would and keeps the numbers.
struct Tail {
  RecordWords text;
  std::uint64_t n = 0;

  std::string operator()(const std::string& kind, Json body) {
    Record record;
    record.n = n++;
    record.utc = "2026-11-25T20:15:00.000000Z";
    record.kind = kind;
    record.body = std::move(body);
    const std::string line = text.line(record);
    // Number, label and kind have columns of their own.
    REQUIRE(line.size() >= 30);
    CHECK(line.substr(8, 20) == "2026-11-25 20:15:00Z");
    return line.size() > 44 ? line.substr(44) : "";
  }
};

Tail opened() {
  Tail tail;
  tail("opening", {{"run", "r"},
                   {"channels", {"r1", "c1", "c2", "c3", "c4", "c5"}},
                   {"orders", {{"all", {0, 1, 2, 3, 4, 5}}, {"references", {0}}}}});
  const char* measures[] = {"resistance", "voltage", "current", "temperature", "voltage", "voltage"};
  for (std::size_t i = 0; i < 6; ++i) tail("card", {{"channel", i}, {"name", "x"}, {"measures", measures[i]}});
  return tail;
}

}  // namespace

TEST_CASE("the opening records") {
  Tail tail;
  CHECK(tail("opening", {{"run", "cold-1"},
                         {"program", {{"name", "nightwell"}, {"version", "0.1.0"}}},
                         {"host", "lab-2"},
                         {"speed", 1},
                         {"profile", "p"},
                         {"bench", "b"},
                         {"job", "j"},
                         {"accepted_overdue", {"SB-R-1"}},
                         {"channels", {"r1", "c1"}}}) ==
        "cold-1: profile p, bench b, job j, 2 channels; nightwell 0.1.0 on lab-2; overdue, accepted: SB-R-1");
  CHECK(tail("plan", {{"scanners", {1}}, {"sources", {1, 2}}, {"sampling", {{"every_s", 5}}}}) ==
        "1 scanner, 2 sources, reference every 5 s");
  CHECK(tail("card", {{"channel", 1},
                      {"name", "c1"},
                      {"role", "item"},
                      {"scanner", "s1"},
                      {"address", 101},
                      {"measures", "voltage"},
                      {"serial", "SB-T-01"},
                      {"type", "type T"}}) == "c1 item SB-T-01 (type T), voltage on s1 101");
  CHECK(tail("plateau_plan", {{"plateau", 2},
                              {"setpoint_c", 15.0},
                              {"source", "bath"},
                              {"band_k", 0.5},
                              {"settle", {{"window_s", 600}, {"largest_drift_k", 0.01}, {"largest_spread_k", 0.02}}},
                              {"capture", {{"order", "mirrored"}, {"sweeps", 5}}}}) ==
        "plateau 3 at 15 °C on bath, band ±0.5 K, window 10 min 0 s, drift 0.01 K, spread 0.02 K, 5 mirrored sweeps");
  CHECK(tail("identity", {{"instrument", "s1"}, {"text", "maker,model,1,2"}}) == "s1 is maker,model,1,2");
}

TEST_CASE("what the run does") {
  Tail tail = opened();
  CHECK(tail("opened", Json::object()) == "every instrument answered");
  CHECK(tail("phase", {{"phase", "settle"}, {"plateau", 2}, {"setpoint_c", 15.0}, {"why", "in the band"}}) ==
        "settle, plateau 3 at 15 °C: in the band");
  CHECK(tail("phase", {{"phase", "preflight"}, {"plateau", nullptr}, {"setpoint_c", nullptr}, {"why", ""}}) ==
        "preflight");
  CHECK(tail("command", {{"source", "bath"}, {"target_c", 15.0}, {"output", true}, {"why", "next plateau"}}) ==
        "bath to 15 °C, output on: next plateau");
  CHECK(tail("source", {{"source", "bath"},
                        {"target_c", 15.0},
                        {"temperature_c", 15.02},
                        {"output", true},
                        {"lease_left_s", 28.0}}) == "bath at 15.02 °C, target 15 °C, output on, lease 28 s");
  CHECK(tail("tick", Json::object()) == "time alone decided");
  CHECK(tail("ask", {{"text", "fill the ice bath"}, {"source", "ice"}, {"setpoint_c", 0}}) ==
        "asked of a person: fill the ice bath");
  CHECK(tail("person", {{"request", "hold"}, {"who", "night shift"}, {"why", "door open"}}) ==
        "hold by night shift: door open");
}

TEST_CASE("sweeps show a few values with their units, and count the rest") {
  Tail tail = opened();
  CHECK(tail("sweep", {{"sweep", 12},
                       {"order", "all"},
                       {"purpose", "watch"},
                       {"plateau", 2},
                       {"raw", {105.84921, 0.00059812, 0.012, 15.00004, nullptr, 0.0006}},
                       {"faults", {{"4", {{"code", "open_sensor"}, {"text", "x"}}}}}}) ==
        "watch, plateau 3, sweep 12: r1 105.8492 ohm, c1 0.5981 mV, c2 12.0000 mA, c3 15.000 °C and 2 more; 1 fault");
  CHECK(tail("sweep", {{"sweep", 13},
                       {"order", "references"},
                       {"purpose", "capture"},
                       {"raw", {105.84921}},
                       {"t_c", {14.99812}}}) == "capture, sweep 13: r1 14.998 °C");
  CHECK(tail("sweep", {{"sweep", 14},
                       {"order", "references"},
                       {"purpose", "watch"},
                       {"raw", {nullptr}},
                       {"faults", {{"0", {{"code", "no_answer"}}}}}}) == "watch, sweep 14: r1 no answer; 1 fault");
}

TEST_CASE("what went wrong, and how it ended") {
  Tail tail = opened();
  CHECK(tail("fault", {{"instrument", "s1"}, {"code", "no_answer"}, {"text", "nothing came"}}) ==
        "s1 no answer: nothing came");
  CHECK(tail("guard", {{"guard", "reference_stale"}, {"text", "no reading"}}) == "reference stale: no reading");
  CHECK(tail("failure", {{"cause", "a guardian died"}}) == "a guardian died");
  CHECK(tail("plateau", {{"plateau", 0},
                         {"setpoint_c", -25.0},
                         {"outcome", "not_settled"},
                         {"first_sweep", 40},
                         {"last_sweep", 44},
                         {"window", {{"mean_c", -24.99}, {"drift_k", 0.02}, {"spread_k", 0.03}}},
                         {"why", "limit"}}) ==
        "plateau 1 at -25 °C not settled, mean -24.9900 °C, drift 0.0200 K, spread 0.0300 K, sweeps 40 to 44: limit");
  CHECK(tail("park", {{"source", "bath"}, {"cause", "lease_ran_out"}, {"confirmed", true}, {"text", "off"}}) ==
        "bath is parked and safe, lease ran out: off");
  CHECK(tail("park", {{"source", "bath"}, {"cause", "asked"}, {"confirmed", false}, {"text", "no answer"}}) ==
        "bath NOT CONFIRMED as parked, asked: no answer");
  CHECK(tail("park", {{"source", "bath"}, {"cause", "failed"}, {"confirmed", false}, {"untouched", true}}) ==
        "bath was never touched by this run, failed");
  CHECK(tail("left_out", {{"channel", 4}, {"why", "open"}}) == "c4: open");
  CHECK(tail("survey", {{"findings", {{{"channel", 1}, {"finding", "wrong_type"}, {"text", "?"}}}}}) ==
        "1 finding: c1 wrong type");
  CHECK(tail("survey", {{"findings", Json::array()}}) == "nothing found wrong");
  CHECK(tail("note", {{"text", "the lid was open"}}) == "the lid was open");
  CHECK(tail("closing", {{"ending", "finished"}, {"why", "all plateaus done"}}) == "finished: all plateaus done");
}

TEST_CASE("records of an unknown kind, or with fields missing, still make a line") {
  Tail tail;
  CHECK(tail("something_new", {{"text", "?"}}) == "");
  for (const char* kind : {"opening", "plan",   "card",     "plateau_plan", "identity", "opened", "failure", "phase",
                           "command", "source", "sweep",    "tick",         "person",   "ask",    "fault",   "guard",
                           "plateau", "park",   "left_out", "survey",       "note",     "closing"}) {
    CAPTURE(kind);
    tail(kind, Json::object());
    tail(kind, {{"raw", {1, "x", nullptr}}, {"orders", 3}, {"faults", {1}}, {"channel", -1}, {"window", "w"}});
  }
}

TEST_CASE("text from instruments cannot act on the terminal") {
  Tail tail;
  CHECK(tail("identity", {{"instrument", "s1"}, {"text", "a\x1b]0;b\x07"}}) == "s1 is a\\x1b]0;b\\x07");
}

TEST_CASE("the kinds that tail knows are those of the document's table") {
  std::ifstream document(NIGHTWELL_SOURCE_DIR "/docs/journal.md");
  std::set<std::string> kinds;
  bool in_table = false;
  for (std::string line; std::getline(document, line);) {
    if (line.rfind("## ", 0) == 0) in_table = line == "## Records";
    const std::size_t end = line.find("` |");
    if (in_table && line.rfind("| `", 0) == 0 && end != std::string::npos) kinds.insert(line.substr(3, end - 3));
  }
  REQUIRE(kinds.size() > 20);
  for (const auto& kind : kinds) {
    INFO(kind);
    CHECK(nightwell::journal::is_known_kind(kind));
  }
  CHECK_FALSE(nightwell::journal::is_known_kind("of_tomorrow"));
}

TEST_CASE("hooks, the disk and what is overdue") {
  Tail tail;
  CHECK(tail("hook", {{"hook", "mail"},
                      {"event", "not_settled"},
                      {"record", 812},
                      {"outcome", "done"},
                      {"exit", 0},
                      {"signal", nullptr},
                      {"took_s", 0.25},
                      {"text", "queued"}}) == "mail told of not settled (record 812), 0.250 s: queued");
  CHECK(tail("hook", {{"hook", "mail"},
                      {"event", "parked"},
                      {"record", 9},
                      {"outcome", "time_limit"},
                      {"exit", nullptr},
                      {"signal", 15},
                      {"took_s", 30},
                      {"text", ""}}) == "mail told of parked (record 9), NOT DONE: time limit, by signal 15, 30.000 s");
  CHECK(tail("disk", {{"syncs", 300},
                      {"mean_s", 0.0021},
                      {"largest_s", 0.5},
                      {"queued_largest", 1},
                      {"copy_behind_bytes", 812},
                      {"asked_again", {{"scanner-a", 2}, {"scanner-b", 0}}}}) ==
        "300 syncs, mean 0.002 s, largest 0.500 s; at most 1 line waiting; the second copy is behind by 812 bytes; "
        "scanner-a asked again 2 times");
  CHECK(tail("disk", {{"syncs", 0}, {"mean_s", nullptr}, {"largest_s", nullptr}, {"queued_largest", 0}}) ==
        "0 syncs, mean -, largest -; at most 0 lines waiting");
  CHECK(tail("overdue", {{"phase", "waiting"}, {"text", "nobody has answered for 15 min"}}) ==
        "nobody has answered for 15 min");
}
