// Driver programs that crash, hang, flood, lie and are late: what each costs is a typed error of that instrument.
#include <fcntl.h>
#include <spawn.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <asio/bind_cancellation_slot.hpp>
#include <asio/cancellation_signal.hpp>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <catch2/catch.hpp>
#include <csignal>
#include <filesystem>
#include <fstream>
#include <optional>
#include <sstream>
#include <utility>

#include "guardian/fake_source_line.hpp"
#include "instrument/run_until.hpp"
#include "program/program_heat_source.hpp"
#include "program/program_scanner.hpp"
#include "program/trusted_program.hpp"

namespace nightwell::program::test {

namespace {

using instrument::ChannelSetup;
using instrument::ConnectionSettings;
using instrument::Identity;
using instrument::Reading;
using instrument::test::run_until;

// A folder with a driver in it, so that the file is ours and can be changed.
class Place {
 public:
  Place() {
    std::string name = (std::filesystem::temp_directory_path() / "program-test-XXXXXX").string();
    if (::mkdtemp(name.data()) == nullptr) throw std::runtime_error("no folder");
    folder_ = name;
    std::filesystem::copy_file(std::string(NIGHTWELL_SOURCE_DIR) + "/tests/program/fake_driver.py", driver());
    std::filesystem::permissions(driver(), std::filesystem::perms(0755));
  }
  Place(const Place&) = delete;
  Place& operator=(const Place&) = delete;
  ~Place() {
    std::error_code ignored;
    std::filesystem::remove_all(folder_, ignored);
  }
  [[nodiscard]] std::string driver() const { return (folder_ / "fake_driver.py").string(); }
  [[nodiscard]] std::string log() const { return (folder_ / "log").string(); }
  [[nodiscard]] std::string heard() const {
    std::ifstream file(log());
    std::ostringstream text;
    text << file.rdbuf();
    return text.str();
  }

 private:
  std::filesystem::path folder_;
};

// Short, so that a test of a driver that hangs does not wait long, and long enough for a loaded machine.
Patience short_patience() {
  Patience patience;
  patience.start = Duration(10'000'000);
  patience.answer = Duration(100'000);
  patience.off = Duration(100'000);
  patience.grace = Duration(300'000);
  return patience;
}

struct Bench {
  Place place;
  asio::io_context io{1};
  std::vector<std::string> notes;
  ConnectionSettings settings;

  explicit Bench(const std::string& mode) {
    settings.name = "unit";
    settings.driver = "program";
    settings.port = TcpPort{"192.0.2.7", 5025};
    settings.reply = Duration(100'000);
    settings.program = {"fake_driver.py", place.driver(), {mode, place.log()}, *program_sha256(place.driver())};
    settings.note = [this](const std::string& text) { notes.push_back(text); };
  }

  template <class T>
  Result<T> wait_for(asio::awaitable<Result<T>> call) {
    std::optional<Result<T>> result;
    const auto run = [](asio::awaitable<Result<T>> inner, std::optional<Result<T>>& out) -> asio::awaitable<void> {
      out = co_await std::move(inner);
    };
    asio::co_spawn(io, run(std::move(call), result), asio::detached);
    if (!run_until(io, [&] { return result.has_value(); })) throw std::runtime_error("the call did not end");
    return *result;
  }
  [[nodiscard]] int starts() const {
    int count = 0;
    const std::string heard = place.heard();
    for (std::size_t at = heard.find("start\n"); at != std::string::npos; at = heard.find("start\n", at + 1)) ++count;
    return count;
  }
  [[nodiscard]] bool noted(std::string_view part) const {
    return std::any_of(notes.begin(), notes.end(),
                       [&](const std::string& note) { return note.find(part) != std::string::npos; });
  }
};

ChannelSetup channel(int address) {
  return ChannelSetup{address, Quantity::resistance};
}

struct ScannerBench : Bench {
  explicit ScannerBench(const std::string& mode) : Bench(mode), scanner(io, settings, short_patience()) {}
  ProgramScanner scanner;
};

struct SourceBench : Bench {
  explicit SourceBench(const std::string& mode) : Bench(mode), source(io, settings, short_patience()) {}
  ProgramHeatSource source;
};

}  // namespace

TEST_CASE("a driver program is told of its instrument and gives readings") {
  ScannerBench bench("odd");
  const auto identity = bench.wait_for(bench.scanner.identify());
  REQUIRE(identity);
  CHECK(identity->text == "Seed Bank,Fake,1");
  CHECK(identity->old_errors == std::vector<std::string>{"-113 x"});
  REQUIRE(bench.wait_for(bench.scanner.configure(channel(101))));
  const auto reading = bench.wait_for(bench.scanner.read(channel(101)));
  REQUIRE(reading);
  CHECK(reading->value == 100.101);
  CHECK(reading->text == "x");
  CHECK(reading->odd);
  CHECK(bench.scanner.asked_again() == 1);
  // What the protocol has no words for is refused, and does not end the conversation.
  for (const int address : {-1, 1'000'001}) {
    CHECK(bench.wait_for(bench.scanner.read(channel(address))).error().code == Errc::bad_input);
    CHECK(bench.wait_for(bench.scanner.configure(channel(address))).error().code == Errc::bad_input);
  }
  CHECK(bench.wait_for(bench.scanner.read(channel(101))));
  const std::string heard = bench.place.heard();
  CHECK(heard.find(R"("instrument": "unit")") != std::string::npos);
  CHECK(heard.find(R"("channel": -1)") == std::string::npos);
  CHECK(heard.find(R"({"host": "192.0.2.7", "port": 5025, "type": "tcp"})") != std::string::npos);
  CHECK(bench.noted("fake, revision 1"));
  bench.scanner.close();
  CHECK(run_until(bench.io, [&] { return bench.place.heard().find("end of input") != std::string::npos; }));
}

TEST_CASE("what a driver does wrong is a typed error that says what it was") {
  struct Wrong {
    const char* mode;
    Errc code;
    const char* part;
  };
  const auto wrong = GENERATE(
      Wrong{"dies_before_hello", Errc::port_gone, "exit code 7 before it had greeted; its last words: no such library"},
      Wrong{"other_version", Errc::refused, "nightwell-driver/9"}, Wrong{"will_not", Errc::bad_input, "only tcp"},
      Wrong{"greets_in_prose", Errc::garbled, "welcome to my driver"},
      Wrong{"no_answer_line", Errc::garbled, "+1.0E+02"}, Wrong{"wrong_kind", Errc::garbled, "is no number"},
      Wrong{"not_a_number", Errc::garbled, "NaN"}, Wrong{"long_line", Errc::garbled, "more than 16384 bytes"},
      Wrong{"floods", Errc::garbled, "more than anybody asked for"}, Wrong{"hangs", Errc::no_answer, "did not answer"},
      Wrong{"open_sensor", Errc::open_sensor, "nothing connected"},
      Wrong{"unknown_error", Errc::garbled, "no word for an error"},
      Wrong{"dies_at_every_read", Errc::port_gone, "exit code 3"});
  CAPTURE(wrong.mode);
  ScannerBench bench(wrong.mode);
  const auto identity = bench.wait_for(bench.scanner.identify());
  Error error;
  if (!identity) {
    error = identity.error();
  } else {
    const auto reading = bench.wait_for(bench.scanner.read(channel(101)));
    REQUIRE(!reading);
    error = reading.error();
  }
  CHECK(error.code == wrong.code);
  CHECK(error.text().find(wrong.part) != std::string::npos);
  CHECK(error.text().find("unit") != std::string::npos);
  INFO(error.text());
  CHECK(error.text().find(bench.place.driver()) != std::string::npos);
}

TEST_CASE("a driver that says nothing is given up after its time") {
  Bench bench("says_nothing");
  Patience patience = short_patience();
  patience.start = Duration(400'000);
  ProgramScanner scanner(bench.io, bench.settings, patience);
  const auto identity = bench.wait_for(scanner.identify());
  REQUIRE(!identity);
  CHECK(identity.error().code == Errc::no_answer);
}

TEST_CASE("a driver that died during a reading is started again, configured, and asked once more") {
  ScannerBench bench("dies_once");
  REQUIRE(bench.wait_for(bench.scanner.identify()));
  REQUIRE(bench.wait_for(bench.scanner.configure(channel(101))));
  REQUIRE(bench.wait_for(bench.scanner.configure(channel(102))));
  const auto reading = bench.wait_for(bench.scanner.read(channel(102)));
  REQUIRE(reading);
  CHECK(reading->value == 100.102);
  CHECK(reading->odd);
  const std::string heard = bench.place.heard();
  const std::string second = heard.substr(heard.rfind("start\n"));
  CHECK(second.find("identify\nconfigure 101\nconfigure 102\nread 102\n") != std::string::npos);
  CHECK(bench.noted("Segmentation something"));
}

TEST_CASE("another instrument behind a driver that was started again is told nothing") {
  ScannerBench bench("another");
  REQUIRE(bench.wait_for(bench.scanner.identify()));
  bench.scanner.close();
  const auto again = bench.wait_for(bench.scanner.identify());
  REQUIRE(!again);
  CHECK(again.error().code == Errc::wrong_identity);
  CHECK(bench.place.heard().find("read") == std::string::npos);
}

TEST_CASE("a driver that always dies is left alone for a while") {
  ScannerBench bench("dies_at_every_read");
  REQUIRE(bench.wait_for(bench.scanner.identify()));
  Error last;
  for (int i = 0; i < 5; ++i) last = bench.wait_for(bench.scanner.read(channel(101))).error();
  CHECK(last.detail.find("left alone") != std::string::npos);
  CHECK(last.detail.find("exit code 3") != std::string::npos);
  CHECK(bench.starts() == most_starts);
}

TEST_CASE("an answer to another question, or a second one, is never taken") {
  ScannerBench bench("late");
  REQUIRE(bench.wait_for(bench.scanner.identify()));
  for (int address = 101; address <= 120; ++address) {
    const auto reading = bench.wait_for(bench.scanner.read(channel(address)));
    REQUIRE(reading);
    REQUIRE(reading->value == 100 + address / 1000.0);
  }
}

TEST_CASE("what a driver writes to standard error is passed on in measure, and never as it is") {
  ScannerBench bench("shouts");
  REQUIRE(bench.wait_for(bench.scanner.identify()));
  CHECK(bench.notes.size() <= 30);
  CHECK(bench.noted("line 0 \\x1b[31m"));
  for (const auto& note : bench.notes) CHECK(note.find('\x1b') == std::string::npos);
}

TEST_CASE("a driver that shouts without end does not hold up anything") {
  Bench bench("shouts_without_end");
  Patience patience = short_patience();
  patience.start = Duration(400'000);
  ProgramScanner scanner(bench.io, bench.settings, patience);
  CHECK(bench.wait_for(scanner.identify()).error().code == Errc::no_answer);
  CHECK(bench.notes.size() < 30);
}

TEST_CASE("a program that has changed since the plan, or that others can change, is not started") {
  ScannerBench bench("normal");
  std::ofstream(bench.place.driver(), std::ios::app) << "# another one\n";
  const auto changed = bench.wait_for(bench.scanner.identify());
  REQUIRE(!changed);
  CHECK(changed.error().code == Errc::refused);
  CHECK(changed.error().detail.find("changed since the plan") != std::string::npos);
  ::chmod(bench.place.driver().c_str(), 0777);
  CHECK(bench.wait_for(bench.scanner.identify()).error().detail.find("chmod go-w") != std::string::npos);
  CHECK(bench.starts() == 0);
}

TEST_CASE("a cancelled call ends at once, and its answer is nobody's") {
  ScannerBench bench("hangs");
  REQUIRE(bench.wait_for(bench.scanner.identify()));
  asio::cancellation_signal cancel;
  std::optional<Result<Reading>> result;
  const auto run = [](ProgramScanner& scanner, std::optional<Result<Reading>>& out) -> asio::awaitable<void> {
    const ChannelSetup setup = channel(101);
    out = co_await scanner.read(setup);
  };
  asio::co_spawn(bench.io, run(bench.scanner, result),
                 asio::bind_cancellation_slot(cancel.slot(), [](const std::exception_ptr&) {}));
  REQUIRE(run_until(bench.io, [&] { return bench.place.heard().find("read") != std::string::npos; }));
  cancel.emit(asio::cancellation_type::terminal);
  REQUIRE(run_until(bench.io, [&] { return result.has_value(); }));
  CHECK(result->error().code == Errc::port_gone);
}

// ---- heat sources ----

TEST_CASE("a heat source's driver that dies is started again for its identity and for off alone") {
  SourceBench bench("dies_at_on");
  REQUIRE(bench.wait_for(bench.source.identify()));
  REQUIRE(bench.wait_for(bench.source.set_target(35)));
  const auto on = bench.wait_for(bench.source.set_output(true));
  REQUIRE(!on);
  CHECK(on.error().code == Errc::port_gone);
  CHECK(on.error().detail.find("signal 9") != std::string::npos);
  // Nothing but the guardian's own next step starts it, and no heating command is sent twice.
  CHECK(bench.wait_for(bench.source.set_output(true)).error().code == Errc::port_gone);
  CHECK(bench.wait_for(bench.source.read_temperature()).error().code == Errc::port_gone);
  CHECK(bench.starts() == 1);
  REQUIRE(bench.wait_for(bench.source.set_output(false)));
  const std::string heard = bench.place.heard();
  CHECK(heard.find("set_output True") == heard.rfind("set_output True"));
  CHECK(heard.substr(heard.rfind("start\n")).find("identify\nset_output False\n") != std::string::npos);
  const auto output = bench.wait_for(bench.source.read_output());
  REQUIRE(output);
  CHECK(!*output);
}

TEST_CASE("off gets through where the driver hangs at it") {
  SourceBench bench("hangs_at_off");
  REQUIRE(bench.wait_for(bench.source.identify()));
  REQUIRE(bench.wait_for(bench.source.set_output(true)));
  REQUIRE(bench.wait_for(bench.source.set_output(false)));
  CHECK(bench.starts() == 2);
  const std::string heard = bench.place.heard();
  CHECK(heard.substr(heard.rfind("start\n")).find("set_output True") == std::string::npos);
}

TEST_CASE(
    "a heat source's driver is not told to heat behind an identify() that failed; off gets through, and a park's "
    "target") {
  SourceBench bench("start_up_fails_twice");
  CHECK(bench.wait_for(bench.source.identify()).error().code == Errc::refused);
  CHECK(bench.wait_for(bench.source.set_target(35)).error().code == Errc::refused);
  CHECK(bench.wait_for(bench.source.set_output(true)).error().code == Errc::refused);
  CHECK(bench.wait_for(bench.source.set_output(false)));
  CHECK(bench.wait_for(bench.source.set_target(20)));
  CHECK_FALSE(bench.wait_for(bench.source.identify()));
  CHECK(bench.wait_for(bench.source.set_target(35)).error().code == Errc::refused);
  const std::string heard = bench.place.heard();
  CHECK(heard.find("set_target 35") == std::string::npos);
  CHECK(heard.find("set_output True") == std::string::npos);
  CHECK(bench.wait_for(bench.source.identify()));
  CHECK(bench.wait_for(bench.source.set_target(35)));
  CHECK(bench.wait_for(bench.source.set_output(true)));
}

TEST_CASE("a program that changed during the night is started to switch off, and never to heat") {
  SourceBench bench("normal");
  REQUIRE(bench.wait_for(bench.source.identify()));
  REQUIRE(bench.wait_for(bench.source.set_output(true)));
  std::ofstream(bench.place.driver(), std::ios::app) << "# another one\n";
  bench.source.close();
  REQUIRE(bench.wait_for(bench.source.set_output(false)));
  CHECK(bench.noted("it may only switch off"));
  CHECK(bench.wait_for(bench.source.set_output(true)).error().code == Errc::refused);
}

TEST_CASE("a program that changed while it heats takes no other target, but that of a park") {
  SourceBench bench("was_on");  // it was killed with the output on
  REQUIRE(bench.wait_for(bench.source.identify()));
  std::ofstream(bench.place.driver(), std::ios::app) << "# another one\n";
  bench.source.close();
  REQUIRE(bench.wait_for(bench.source.identify()));
  CHECK(bench.wait_for(bench.source.set_target(300)).error().code == Errc::refused);
  CHECK(bench.place.heard().find("set_target") == std::string::npos);
  REQUIRE(bench.wait_for(bench.source.set_output(false)));
  CHECK(bench.wait_for(bench.source.set_target(20)));
}

TEST_CASE("a driver that closes its output is ended, and off gets through another one") {
  SourceBench bench("closes_its_output");
  REQUIRE(bench.wait_for(bench.source.identify()));
  const auto output = bench.wait_for(bench.source.read_output());
  REQUIRE(!output);
  REQUIRE(bench.wait_for(bench.source.set_output(false)));
  CHECK(bench.starts() == 2);
}

// ---- the driver's side: the shipped SCPI codecs as programs ----

namespace {

struct ScpiBench {
  asio::io_context io{1};
  guardian::test::FakeSourceLine line{io};
  ConnectionSettings settings;
  std::vector<std::string> notes;
  Bench bench{"unused"};

  ScpiBench() {
    settings.name = "bath";
    settings.port = PtyPort{line.path};
    settings.reply = Duration(500'000);
    settings.identity = "Bath";
    const std::string program = std::string(NIGHTWELL_BIN_DIR) + "/program_scpi_driver";
    settings.program = {"scpi", program, {"source"}, *program_sha256(program)};
    settings.note = [this](const std::string& text) { notes.push_back(text); };
  }
  template <class T>
  Result<T> wait_for(asio::awaitable<Result<T>> call) {
    std::optional<Result<T>> result;
    const auto run = [](asio::awaitable<Result<T>> inner, std::optional<Result<T>>& out) -> asio::awaitable<void> {
      out = co_await std::move(inner);
    };
    asio::co_spawn(io, run(std::move(call), result), asio::detached);
    if (!run_until(io, [&] { return result.has_value(); })) throw std::runtime_error("the call did not end");
    return *result;
  }
};

// A host that is two pipes: the test says what lies in them when it dies.
class PipeHost {
 public:
  PipeHost(const std::string& program, std::string role) {
    std::array<int, 2> in{}, out{};
    if (::pipe2(in.data(), O_CLOEXEC) != 0 || ::pipe2(out.data(), O_CLOEXEC | O_NONBLOCK) != 0)
      throw std::runtime_error("no pipe");
    posix_spawn_file_actions_t files;
    ::posix_spawn_file_actions_init(&files);
    ::posix_spawn_file_actions_adddup2(&files, in[0], STDIN_FILENO);
    ::posix_spawn_file_actions_adddup2(&files, out[1], STDOUT_FILENO);
    std::string path = program;
    std::array<char*, 3> arguments{path.data(), role.data(), nullptr};
    if (::posix_spawn(&pid_, path.c_str(), &files, nullptr, arguments.data(), environ) != 0)
      throw std::runtime_error("no process");
    ::posix_spawn_file_actions_destroy(&files);
    ::close(in[0]);
    ::close(out[1]);
    to_ = in[1];
    from_ = out[0];
  }
  PipeHost(const PipeHost&) = delete;
  PipeHost& operator=(const PipeHost&) = delete;
  ~PipeHost() {
    ::kill(pid_, SIGKILL);
    if (!ended()) ::waitpid(pid_, nullptr, 0);
    ::close(from_);
    if (to_ >= 0) ::close(to_);
  }
  void say(const std::string& line) const {
    if (::write(to_, line.data(), line.size()) != static_cast<ssize_t>(line.size()))
      throw std::runtime_error("the pipe took nothing");
  }
  // How many lines it has answered by now.
  [[nodiscard]] std::ptrdiff_t answers() {
    std::array<char, 4096> bytes{};
    for (ssize_t got = 0; (got = ::read(from_, bytes.data(), bytes.size())) > 0;)
      lines_ += std::count(bytes.begin(), bytes.begin() + got, '\n');
    return lines_;
  }
  void signal(int number) const { ::kill(pid_, number); }
  // True: it is not running on.
  [[nodiscard]] bool stopped() const {
    siginfo_t info{};
    return ::waitid(P_PID, static_cast<id_t>(pid_), &info, WSTOPPED | WNOHANG | WNOWAIT) == 0 && info.si_pid == pid_;
  }
  void die() { ::close(std::exchange(to_, -1)); }
  [[nodiscard]] bool ended() {
    if (!status_) {
      int status = 0;
      if (::waitpid(pid_, &status, WNOHANG) == pid_) status_ = status;
    }
    return status_.has_value();
  }

 private:
  pid_t pid_ = -1;
  int to_ = -1, from_ = -1;
  std::ptrdiff_t lines_ = 0;
  std::optional<int> status_;
};

Request request(std::uint64_t id, Ask ask) {
  Request out;
  out.id = id;
  out.within = Duration(10'000'000);
  out.ask = std::move(ask);
  return out;
}

}  // namespace

TEST_CASE("what was asked of which instrument is said once, by the host, and where it stuck by the driver") {
  ScpiBench bench;
  bench.settings.port = PtyPort{"/no/such/port"};
  ProgramHeatSource source(bench.io, bench.settings);
  const std::string text = bench.wait_for(source.identify()).error().text();
  INFO(text);
  CHECK(text.starts_with("asking the identity of bath ("));
  CHECK(text.find("asking the identity", 1) == std::string::npos);
  CHECK(text.find("pty /no/such/port: No such file") != std::string::npos);
}

TEST_CASE("a codec with the ready main is a heat source, and switches off when its host is gone") {
  ScpiBench bench;
  ProgramHeatSource source(bench.io, bench.settings);
  const auto identity = bench.wait_for(source.identify());
  REQUIRE(identity);
  CHECK(identity->text == "Cold Store,Bath,7,1.0");
  REQUIRE(bench.wait_for(source.set_target(35)));
  CHECK(*bench.wait_for(source.read_target()) == 35);
  CHECK(bench.line.target_c == 35);
  REQUIRE(bench.wait_for(source.set_output(true)));
  CHECK(bench.line.output);
  CHECK(*bench.wait_for(source.read_output()));
  CHECK(*bench.wait_for(source.read_temperature()) == 35);
  SECTION("off is taken while another call is carried out, and that call is nobody's any more") {
    bench.line.silent = true;
    std::optional<Result<double>> reading;
    const auto read = [](ProgramHeatSource& its, std::optional<Result<double>>& out) -> asio::awaitable<void> {
      out = co_await its.read_temperature();
    };
    asio::co_spawn(bench.io, read(source, reading), asio::detached);
    bench.io.restart();
    bench.io.run_for(std::chrono::milliseconds(50));
    bench.line.silent = false;
    const auto off = bench.wait_for(source.set_output(false));
    CHECK(off.error().code == Errc::unexpected);
    CHECK(run_until(bench.io, [&] { return !bench.line.output && reading.has_value(); }));
    CHECK(reading->error().code == Errc::port_gone);
  }
  SECTION("the end of its input") {
    source.close();
    CHECK(run_until(bench.io, [&] { return !bench.line.output; }));
  }
}

TEST_CASE("a heating command that a dead host left behind is not carried out") {
  ScpiBench bench;
  const Ask left = GENERATE(Ask(SetOutput{true}), Ask(SetTarget{35}));
  PipeHost host(bench.settings.program.path, "source");
  Hello hello;
  hello.role = Role::heat_source;
  hello.instrument = "bath";
  hello.port = bench.settings.port;
  hello.reply = bench.settings.reply;
  host.say(to_line(hello));
  host.say(to_line(request(1, Identify())));
  REQUIRE(run_until(bench.io, [&] { return host.answers() == 2; }));
  host.signal(SIGSTOP);
  REQUIRE(run_until(bench.io, [&] { return host.stopped(); }));
  host.say(to_line(request(2, left)));
  host.die();
  host.signal(SIGCONT);
  CHECK(run_until(bench.io, [&] { return host.ended(); }));
  CHECK(bench.line.told.empty());
}

TEST_CASE("a driver for the other kind of instrument says so") {
  ScpiBench bench;
  ProgramScanner scanner(bench.io, bench.settings);
  const auto identity = bench.wait_for(scanner.identify());
  REQUIRE(!identity);
  CHECK(identity.error().code == Errc::refused);
  CHECK(identity.error().detail.find("heat source") != std::string::npos);
}

}  // namespace nightwell::program::test
