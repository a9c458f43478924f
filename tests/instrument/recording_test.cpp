// Recording: what is written down plays again as it went, and a disk that is slow, full or hung holds nobody.
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "instrument/log_writer.hpp"
#include "instrument/wire_recorder.hpp"
#include "support/temporary_folder.hpp"
#include "wire_log.hpp"
#include "wire_log/wire_log.hpp"

namespace nightwell::instrument::test {

namespace {

using std::chrono::milliseconds;
constexpr milliseconds long_enough{20'000};

std::string contents(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

LogWriter::Limits limits(std::size_t bytes, std::size_t waiting) {
  LogWriter::Limits out;
  out.most_bytes = bytes;
  out.most_waiting = waiting;
  return out;
}

// The recorder on a clock that the test moves.
struct Notes {
  Notes() {
    ConnectionSettings settings;
    settings.name = "bath";
    settings.driver = "scpi-source";
    settings.port = PtyPort{"/run/bath"};
    settings.reply = milliseconds(1500);
    settings.identity = "SEEDBANK";
    WireRecorder::World world;
    world.write = [this](std::string_view line) { text.append(line).append(1, '\n'); };
    world.now = [this] { return now; };
    world.utc = [] { return std::string("2026-11-26T22:00:00.000Z"); };
    recorder.emplace(settings, world);
    text.clear();
  }
  std::string text;
  SteadyTime now{std::chrono::seconds(100)};
  std::optional<WireRecorder> recorder;
};

}  // namespace

TEST_CASE("every conversation of the wire logs, recorded while it is played, plays again", "[wirelog][recording]") {
  std::size_t calls = 0;
  const auto folder = std::filesystem::path(NIGHTWELL_SOURCE_DIR) / "tests" / "wirelogs";
  for (const auto& entry : std::filesystem::directory_iterator(folder)) {
    if (entry.path().extension() != ".log") continue;
    INFO(entry.path().filename().string());
    const Recorded recorded = record_in_memory(contents(entry.path()));
    CHECK(recorded.problems.empty());
    INFO(recorded.log);
    const auto log = wire_log::parse(recorded.log);
    REQUIRE(log.ok());
    for (const std::string& problem : play_recorded_quickly(recorded.log)) FAIL_CHECK(problem);
    for (const auto& step : log->steps) calls += step.mark == wire_log::Mark::result ? 1 : 0;
  }
  CHECK(calls > 100);
}

TEST_CASE("a recorded log says when bytes came and how long the program waited", "[recording]") {
  Notes notes;
  WireRecorder& note = *notes.recorder;
  note.opened();
  note.called("read_temperature");
  note.sent("T?\r");
  notes.now += milliseconds(7);
  const SteadyTime deadline = notes.now + milliseconds(1493);
  note.received("T+0", deadline);
  notes.now += std::chrono::microseconds(1400);
  note.received("20.50\r", deadline);
  note.gave("20.5");
  notes.now += milliseconds(400);
  note.called("read_target");
  note.found(
      "\x1b"
      "late\r");  // lay there when the program looked: came in the middle of its pause
  note.hung_up(true);
  CHECK(notes.text ==
        ": read_temperature\n> T?\\r\n@7\n< T+0\n@1\n< 20.50\\r\n= 20.5\n: wait_ms 400\n: read_target\n"
        "@200\n< \\x1blate\\r\n@100\n!eof\n");
}

TEST_CASE("a reply that a busy machine read behind its deadline is one at the deadline", "[recording]") {
  // It was taken for the reply, so it must be one when the log plays.
  Notes notes;
  WireRecorder& note = *notes.recorder;
  note.opened();
  note.called("read_temperature");
  note.sent("T?\r");
  const SteadyTime deadline = notes.now + milliseconds(1500);
  notes.now += milliseconds(1800);
  note.received("T+020.50\r", deadline);
  note.gave("20.5");
  CHECK(notes.text == ": read_temperature\n> T?\\r\n@1500\n< T+020.50\\r\n= 20.5\n");
}

TEST_CASE("a call that the end of a run cut short has no result", "[recording]") {
  Notes notes;
  WireRecorder& note = *notes.recorder;
  note.called("identify");
  note.closed();  // by the driver itself
  note.gave("error wrong_identity");
  note.called("read 101 resistance");
  note.sent("MEAS? 101\n");
  note.closed();
  note.gave("error port_gone");
  CHECK(notes.text ==
        ": identify\n# closed\n= error wrong_identity\n: read 101 resistance\n> MEAS? 101\\n\n# closed\n"
        "# cut short: error port_gone\n");
}

TEST_CASE("a log whose last call was cut short plays up to there", "[wirelog][recording]") {
  const std::string whole = record_in_memory(contents(std::filesystem::path(NIGHTWELL_SOURCE_DIR) / "tests" /
                                                      "wirelogs" / "scanner-plain.log"))
                                .log;
  CHECK(play_recorded_quickly(whole + ": read 101 resistance\n> MEASure:FRESistance? (@101)\\n\n# closed\n"
                                      "# cut short: error port_gone\n")
            .empty());
}

TEST_CASE("a log whose port was closed behind a reply that had already come plays to its end", "[wirelog][recording]") {
  // The reply lay with the program when the run ended: it is still taken.
  const std::string whole = record_in_memory(contents(std::filesystem::path(NIGHTWELL_SOURCE_DIR) / "tests" /
                                                      "wirelogs" / "scanner-plain.log"))
                                .log;
  CHECK(play_recorded_quickly(whole + ": read 101 resistance\n> MEASure:FRESistance? (@101)\\n\n# closed\n"
                                      "@2\n< 113.5\\n\n= 113.5\n")
            .empty());
}

TEST_CASE("what was unplugged is back in the middle between the last try that failed and the one that did not",
          "[recording]") {
  Notes notes;
  WireRecorder& note = *notes.recorder;
  note.opened();
  note.hung_up(false);
  notes.now += milliseconds(500);
  note.not_opened(Error{Errc::port_gone, "opening the port", "not there", ""});
  notes.now += milliseconds(500);
  note.opened();
  CHECK(notes.text == "!eof\n# not opened: opening the port: not there\n@750\n!open\n");
}

TEST_CASE("a call while another is going on is a remark", "[recording]") {
  // The guardian's "off" cuts into a call; a wire log has one call at a time.
  Notes notes;
  notes.recorder->called("read_temperature");
  notes.recorder->remark("while that call was going on: set_output off");
  notes.recorder->gave("error port_gone");
  const auto log = wire_log::parse(notes.text);
  REQUIRE(log.ok());
  CHECK(log->steps.size() == 2);
}

TEST_CASE("lines go to the file in order, appended, and its folder is made", "[recording]") {
  const tests::TemporaryFolder folder;
  const auto file = folder / "wire" / "bath.log";
  for (const char* start : {"first", "second"}) {
    LogWriter writer(file, LogWriter::Limits());
    writer.add(std::string(start) + " 1");
    writer.add(std::string(start) + " 2");
    REQUIRE(writer.finish(long_enough));
  }
  CHECK(contents(file) == "first 1\nfirst 2\nsecond 1\nsecond 2\n");
}

TEST_CASE("a log ends at its limit, whole lines before it, and says so", "[recording]") {
  const tests::TemporaryFolder folder;
  const auto file = folder / "bath.log";
  LogWriter writer(file, limits(100, 1 << 20));
  for (int i = 0; i < 50; ++i) writer.add("> line " + std::to_string(100 + i));
  REQUIRE(writer.finish(long_enough));
  const std::string text = contents(file);
  CHECK(text.starts_with("> line 100\n> line 101\n"));
  CHECK(text.ends_with("> line 108\n!end at its limit of 100 bytes\n"));
  CHECK(wire_log::parse(text).ok());
}

TEST_CASE("a disk that hangs holds nobody; what does not fit is lost and counted", "[recording]") {
  const tests::TemporaryFolder folder;
  const auto file = folder / "hung";
  REQUIRE(::mkfifo(file.c_str(), 0600) == 0);  // opening it hangs until somebody reads
  LogWriter writer(file, limits(1 << 20, 60));
  constexpr int lines = 30;
  for (int i = 0; i < lines; ++i) writer.add("> line " + std::to_string(100 + i));  // 11 bytes each with their end
  CHECK_FALSE(writer.finish(milliseconds(1)));
  std::ifstream reader(file);
  std::ostringstream text;
  text << reader.rdbuf();
  // Five fit, and before those the thread has taken none to five, with which it hangs.
  int written = 0;
  std::string wanted;
  while (text.str().starts_with(wanted + "> line " + std::to_string(100 + written)))
    wanted += "> line " + std::to_string(100 + written++) + "\n";
  CHECK(written >= 5);
  CHECK(written <= 10);
  std::size_t lost = 0;
  std::istringstream rest(text.str().substr(std::min(wanted.size(), text.str().size())));
  for (std::string line; std::getline(rest, line);) {
    INFO(line);
    REQUIRE(line.starts_with("!lost "));
    lost += std::stoul(line.substr(6));
  }
  CHECK(static_cast<std::size_t>(written) + lost == lines);
}

TEST_CASE("a full disk holds nobody", "[recording]") {
  LogWriter writer("/dev/full", LogWriter::Limits());
  writer.add("> *IDN?\\n");
  CHECK(writer.finish(long_enough));
}

TEST_CASE("a recorded log that was cut in its last line is read up to there", "[recording]") {
  const std::string text = "# recorded by nightwell\n% driver scpi-scanner\n: identify\n> *IDN?\\n\n< SEEDBANK\\x0";
  const auto log = wire_log::parse(text);
  REQUIRE(log.ok());
  CHECK(log->torn);
  CHECK(log->steps.size() == 2);
}

TEST_CASE("what is no wire log is refused with its line", "[wirelog]") {
  const std::pair<const char*, const char*> wrong[] = {{": identify\n* what\n", "line 2"},
                                                       {"@soon\n", "line 1"},
                                                       {"@-1\n", "line 1"},
                                                       {"@99999999999999999999\n", "line 1"},
                                                       {"!bang\n", "line 1"},
                                                       {"< \\q\n", "line 1"},
                                                       {"< \\x4\n", "line 1"},
                                                       {"% speed 3\n", "line 1"},
                                                       {"\n\n% reply_ms x\n", "line 3"}};
  for (const auto& [text, place] : wrong) {
    INFO(text);
    const auto log = wire_log::parse(text);
    REQUIRE_FALSE(log.ok());
    CHECK(log.error().code == Errc::bad_input);
    CHECK_THAT(log.error().detail, Catch::StartsWith(place));
  }
}

TEST_CASE("every byte comes back from a wire log", "[wirelog]") {
  std::string bytes;
  for (int byte = 0; byte < 256; ++byte) bytes += static_cast<char>(byte);
  const auto log = wire_log::parse("< " + wire_log::escaped(bytes) + "\n");
  REQUIRE(log.ok());
  CHECK(log->steps.at(0).text == bytes);
}

}  // namespace nightwell::instrument::test
