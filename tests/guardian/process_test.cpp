// The real program, a source on a pseudo-terminal, real time: whoever dies, the heat goes off.
#include <fcntl.h>
#include <spawn.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <asio/co_spawn.hpp>
#include <catch2/catch.hpp>
#include <csignal>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "fake_source_line.hpp"
#include "guardian/client.hpp"
#include "process_limits.hpp"

using namespace nightwell;
using namespace nightwell::guardian;
using nightwell::guardian::test::brief;
using nightwell::guardian::test::FakeSourceLine;
using nightwell::guardian::test::process_settings;

namespace {

const std::string guardian_program = std::string(NIGHTWELL_BIN_DIR) + "/nightwell-guardian";
const std::string leasing_daemon = std::string(NIGHTWELL_BIN_DIR) + "/guardian_leasing_daemon";

class Folder {
 public:
  Folder() {
    std::string name = (std::filesystem::temp_directory_path() / "guardian-test-XXXXXX").string();
    if (!::mkdtemp(name.data())) throw std::runtime_error("no folder");
    path_ = name;
  }
  ~Folder() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  std::string log() const { return (path_ / "guardian.log").string(); }

 private:
  std::filesystem::path path_;
};

std::string text_of(const std::string& path) {
  std::ifstream file(path);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

class Bench {
 public:
  Bench() : line(io) {}
  Bench(const Bench&) = delete;
  Bench& operator=(const Bench&) = delete;
  // A guardian never gives up a source that it cannot prove off, and the source's line goes with this bench.
  ~Bench() {
    if (!client || client->gone()) return;
    ::kill(client->pid(), SIGKILL);
    ::waitpid(client->pid(), nullptr, 0);
  }

  Settings settings() const { return process_settings(guardian_program, line.path, folder.log()); }
  bool start(const Settings& with) {
    auto started = Client::start(io, with, [this](const Report& report) { hear(report); });
    if (!started.ok()) UNSCOPED_INFO(started.error().text());
    if (!started.ok()) return false;
    CHECK(reports.empty());  // never from inside start()
    client = std::move(started).value();
    return true;
  }
  bool to_heating() { return to_heating(settings()); }
  bool to_heating(const Settings& with) {
    return start(with) && run_until([this] { return has<Ready>(); }) &&
           (renew = true, client->lease(80, true, 130), true) &&
           run_until([this] { return line.output && last<Status>() && last<Status>()->output; });
  }
  bool end() {
    client->close();
    return run_until([this] { return client->gone(); });
  }

  template <class Done>
  bool run_until(Done done) {
    const auto late = std::chrono::steady_clock::now() + std::chrono::seconds(60);
    bool good = done();
    while (!good && std::chrono::steady_clock::now() < late) {
      io.restart();
      io.run_one_for(std::chrono::milliseconds(20));
      good = done();
    }
    if (!good) UNSCOPED_INFO(text_of(folder.log()));
    return good;
  }

  template <class R>
  std::optional<R> last() const {
    for (auto it = reports.rbegin(); it != reports.rend(); ++it)
      if (const auto* r = std::get_if<R>(&*it)) return *r;
    return std::nullopt;
  }
  template <class R>
  bool has() const {
    return last<R>().has_value();
  }
  bool proved() const { return last<Parked>() && last<Parked>()->confirmed; }
  int unproved() const {
    return static_cast<int>(std::count_if(reports.begin(), reports.end(), [](const Report& report) {
      const auto* parked = std::get_if<Parked>(&report);
      return parked && !parked->confirmed;
    }));
  }
  bool safe() const { return !line.output && line.target_c == 20; }

  Folder folder;
  asio::io_context io{1};
  FakeSourceLine line;
  std::unique_ptr<Client> client;
  std::vector<Report> reports;
  bool renew = false;

 private:
  void hear(const Report& report) {
    reports.push_back(report);
    if (renew && std::holds_alternative<Status>(report)) client->lease(80, true, 130);
  }
};

pid_t start_leasing_daemon(const Bench& bench) {
  std::string program = leasing_daemon;
  std::string guardian = guardian_program;
  std::string pty = bench.line.path;
  std::string log = bench.folder.log();
  char* arguments[] = {program.data(), guardian.data(), pty.data(), log.data(), nullptr};
  pid_t pid = -1;
  REQUIRE(::posix_spawn(&pid, program.c_str(), nullptr, nullptr, arguments, environ) == 0);
  return pid;
}

}  // namespace

TEST_CASE("The guardian answers, heats by lease, parks when asked, ends when told goodbye", "[process]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  CHECK(bench.last<Ready>()->identity.text.find("Cold Store") != std::string::npos);
  CHECK_FALSE(bench.last<Ready>()->status.output);
  CHECK(bench.has<Accepted>());
  CHECK(bench.last<Status>()->target_c == 80);
  CHECK(bench.last<Status>()->lease_left_s > 0);
  bench.client->park("the test has seen enough");
  CHECK(bench.run_until([&] { return bench.proved(); }));
  CHECK(bench.last<Parked>()->cause == "the test has seen enough");
  CHECK(bench.safe());
  CHECK_FALSE(bench.client->gone());
  CHECK(bench.run_until([&] { return bench.has<Refused>(); }));  // renewals go on and are refused
  CHECK(bench.safe());
  CHECK(bench.end());
  CHECK_FALSE(bench.has<Lost>());
  const std::string log = text_of(bench.folder.log());
  CHECK(log.find("telling the source: output on") != std::string::npos);
  CHECK(log.find("telling the source: output off") != std::string::npos);
  CHECK(log.find("the test has seen enough") != std::string::npos);
}

TEST_CASE("close() while heating: the last reports come, then the end", "[process]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  bench.renew = false;
  bool awaited = false;
  asio::co_spawn(bench.io, bench.client->ended(), [&](std::exception_ptr) { awaited = true; });
  CHECK(bench.end());
  CHECK(bench.safe());
  CHECK(bench.run_until([&] { return bench.proved() && awaited; }));
  CHECK_FALSE(bench.has<Lost>());
}

TEST_CASE("A lease that is not renewed: the guardian parks by itself", "[process]") {
  Bench bench;
  Settings settings = bench.settings();
  settings.limits.lease = from_seconds(3);
  REQUIRE(bench.to_heating(settings));
  bench.renew = false;
  CHECK(bench.run_until([&] { return bench.proved(); }));
  CHECK(bench.last<Parked>()->cause == "lease_ended");
  CHECK(bench.safe());
}

TEST_CASE("kill -9 of the daemon while heating: off, safe setpoint, and the guardian ends", "[process]") {
  // Orphans become our children, so the test sees how the guardian ends.
  REQUIRE(::prctl(PR_SET_CHILD_SUBREAPER, 1) == 0);
  Bench bench;
  const pid_t daemon = start_leasing_daemon(bench);
  CHECK(bench.run_until([&] { return bench.line.output; }));
  ::kill(daemon, SIGKILL);
  int status = 0;
  CHECK(::waitpid(daemon, &status, 0) == daemon);
  CHECK(bench.run_until([&] { return bench.safe(); }));
  CHECK(bench.line.was_told("OUTPut:STATe OFF"));
  int guardian_status = -1;
  CHECK(bench.run_until([&] { return ::waitpid(-1, &guardian_status, WNOHANG) > 0; }));
  CHECK(WIFEXITED(guardian_status));
  CHECK(WEXITSTATUS(guardian_status) == 0);
  ::prctl(PR_SET_CHILD_SUBREAPER, 0);
}

TEST_CASE("A daemon that hangs while heating is a lease that ends", "[process]") {
  REQUIRE(::prctl(PR_SET_CHILD_SUBREAPER, 1) == 0);
  Bench bench;
  const pid_t daemon = start_leasing_daemon(bench);
  CHECK(bench.run_until([&] { return bench.line.output; }));
  ::kill(daemon, SIGSTOP);
  CHECK(bench.run_until([&] { return bench.safe(); }));
  ::kill(daemon, SIGKILL);
  ::waitpid(daemon, nullptr, 0);
  CHECK(bench.run_until([&] { return ::waitpid(-1, nullptr, WNOHANG) > 0; }));
  ::prctl(PR_SET_CHILD_SUBREAPER, 0);
}

TEST_CASE("A source that goes silent while heating: tried and said until it answers", "[process]") {
  Bench bench;
  REQUIRE(bench.to_heating(brief(bench.settings())));
  bench.line.silent = true;
  CHECK(bench.run_until([&] { return bench.unproved() >= 3; }));
  CHECK_FALSE(bench.proved());
  CHECK(bench.last<Parked>()->text.find("NOT PROVED OFF") != std::string::npos);
  bench.line.silent = false;
  CHECK(bench.run_until([&] { return bench.proved(); }));
  CHECK(bench.safe());
}

TEST_CASE("A source that refuses off: the setpoint goes down, tried and said until it is off", "[process]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  bench.line.refuses_off = true;
  bench.client->park("the test asks");
  CHECK(bench.run_until([&] { return bench.unproved() >= 3; }));
  CHECK(bench.line.output);
  CHECK(bench.line.target_c == 20);
  // Though the daemon goes, the guardian does not while the source is on.
  bench.client->close();
  CHECK(bench.run_until([&] { return bench.unproved() >= 5; }));
  CHECK_FALSE(bench.client->gone());
  bench.line.refuses_off = false;
  CHECK(bench.run_until([&] { return bench.client->gone(); }));
  CHECK(bench.safe());
}

TEST_CASE("SIGTERM, SIGINT, SIGHUP: park, then exit", "[process]") {
  for (const int number : {SIGTERM, SIGINT, SIGHUP}) {
    Bench bench;
    REQUIRE(bench.to_heating());
    ::kill(bench.client->pid(), number);
    CHECK(bench.run_until([&] { return bench.client->gone() && bench.has<Lost>(); }));
    CHECK(bench.safe());
    CHECK(bench.proved());
    CHECK(bench.last<Lost>()->text.find("proved the output off") != std::string::npos);
  }
}

TEST_CASE("A guardian that is killed is reported lost at once, and another one switches off", "[process]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  bench.renew = false;
  const pid_t first = bench.client->pid();
  ::kill(first, SIGKILL);
  CHECK(bench.run_until([&] { return bench.has<Lost>(); }));
  CHECK(bench.last<Lost>()->text.find("killed by signal 9") != std::string::npos);
  CHECK_FALSE(bench.client->gone());
  CHECK(bench.run_until([&] { return bench.proved(); }));
  CHECK(bench.safe());
  CHECK(bench.client->pid() != first);
  // It too, and the one behind it: one dead guardian is no reason to believe in the next.
  bench.line.output = true;
  ::kill(bench.client->pid(), SIGKILL);
  CHECK(bench.run_until([&] { return bench.safe(); }));
  CHECK(bench.end());
  CHECK(bench.safe());
}

TEST_CASE("Killed after goodbye and before the source is proved off: another one goes on", "[process]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  bench.renew = false;
  bench.line.refuses_off = true;
  bench.client->close();
  CHECK(bench.run_until([&] { return bench.unproved() >= 2; }));
  ::kill(bench.client->pid(), SIGKILL);
  bench.line.refuses_off = false;
  CHECK(bench.run_until([&] { return bench.client->gone(); }));
  CHECK(bench.safe());
  CHECK_FALSE(bench.has<Lost>());
}

TEST_CASE("A guardian that is stopped is killed and relieved", "[process]") {
  Bench bench;
  Settings settings = bench.settings();
  settings.frozen_after = std::chrono::seconds(2);
  REQUIRE(bench.to_heating(settings));
  bench.renew = false;
  const pid_t first = bench.client->pid();
  ::kill(first, SIGSTOP);
  CHECK(bench.run_until([&] { return bench.has<Lost>() && bench.proved(); }));
  CHECK(bench.safe());
  CHECK(bench.client->pid() != first);
  CHECK(bench.end());
}

TEST_CASE("A guardian that never heated is not relieved", "[process]") {
  Bench bench;
  REQUIRE(bench.start(bench.settings()));
  REQUIRE(bench.run_until([&] { return bench.has<Ready>(); }));
  ::kill(bench.client->pid(), SIGKILL);
  CHECK(bench.run_until([&] { return bench.has<Lost>(); }));
  CHECK(bench.client->gone());
  bench.client->lease(80, true, 130);  // harmless
  bench.client->park("x");
  bench.client->close();
}

TEST_CASE("It has a session of its own and none of the daemon's files", "[process]") {
  Bench bench;
  const int secret = ::open("/etc/hostname", O_RDONLY);  // not close-on-exec, on purpose
  REQUIRE(secret >= 0);
  REQUIRE(bench.start(bench.settings()));
  REQUIRE(bench.run_until([&] { return bench.has<Ready>(); }));
  const pid_t pid = bench.client->pid();
  CHECK(::getsid(pid) == pid);
  for (const auto& entry : std::filesystem::directory_iterator("/proc/" + std::to_string(pid) + "/fd"))
    CHECK(std::filesystem::read_symlink(entry.path()) != "/etc/hostname");
  ::close(secret);
  CHECK(bench.end());
}

TEST_CASE("A source never heated and found off is left as it was", "[process]") {
  Bench bench;
  REQUIRE(bench.start(bench.settings()));
  REQUIRE(bench.run_until([&] { return bench.has<Ready>(); }));
  CHECK(bench.end());
  CHECK(bench.line.told.empty());
  CHECK(bench.line.target_c == 25);
}

TEST_CASE("A source found on is switched off, and stays parked", "[process]") {
  Bench bench;
  bench.line.output = true;
  REQUIRE(bench.start(bench.settings()));
  CHECK(bench.run_until([&] { return bench.proved(); }));
  CHECK(bench.last<Parked>()->cause == "found_on");
  CHECK(bench.safe());
}

TEST_CASE("Another instrument on the port is told nothing", "[process]") {
  Bench bench;
  Settings settings = brief(bench.settings());
  settings.connection.identity = "Furnace";
  REQUIRE(bench.start(settings));
  CHECK(bench.run_until([&] { return bench.has<Fault>(); }));
  CHECK(bench.last<Fault>()->error.code == Errc::wrong_identity);
  bench.client->lease(80, true, 130);
  CHECK(bench.run_until([&] { return bench.has<Refused>(); }));
  CHECK(bench.line.told.empty());
  CHECK(bench.end());  // within one lease, as it never saw its source
  CHECK(bench.line.told.empty());
}

TEST_CASE("What cannot work is refused by start(), or said", "[process]") {
  Bench bench;
  Settings settings = bench.settings();
  SECTION("no such program") {
    settings.program = "/nowhere/nightwell-guardian";
    const auto started = Client::start(bench.io, settings, nullptr);
    REQUIRE_FALSE(started.ok());
    CHECK(started.error().code == Errc::not_found);
  }
  SECTION("no such folder for the log") {
    settings.log = "/nowhere/guardian.log";
    const auto started = Client::start(bench.io, settings, nullptr);
    REQUIRE_FALSE(started.ok());
    CHECK(started.error().code == Errc::storage);
  }
  SECTION("limits that do not hold together") {
    settings.limits.safe_c = 500;
    const auto started = Client::start(bench.io, settings, nullptr);
    REQUIRE_FALSE(started.ok());
    CHECK(started.error().code == Errc::bad_input);
  }
  SECTION("no speed") {
    settings.speed = 0;
    const auto started = Client::start(bench.io, settings, nullptr);
    REQUIRE_FALSE(started.ok());
    CHECK(started.error().code == Errc::bad_input);
  }
  SECTION("no such driver") {
    settings.connection.driver = "abacus";
    REQUIRE(bench.start(settings));
    CHECK(bench.run_until([&] { return bench.has<Lost>(); }));
    REQUIRE(bench.has<Fault>());
    CHECK(bench.last<Fault>()->error.detail.find("abacus") != std::string::npos);
    CHECK(bench.last<Lost>()->text.find("exit code 2") != std::string::npos);
  }
}

TEST_CASE("Destroying the client while heating parks all the same", "[process]") {
  Bench bench;
  REQUIRE(bench.to_heating());
  const std::size_t heard = bench.reports.size();
  const pid_t pid = bench.client->pid();
  bench.client.reset();
  CHECK(bench.run_until([&] { return bench.safe(); }));
  CHECK(bench.run_until([&] { return ::waitpid(pid, nullptr, WNOHANG) == pid; }));
  CHECK(bench.reports.size() == heard);
}

TEST_CASE("Started by hand it says so and does nothing", "[process]") {
  const std::string command = guardian_program + " 3</dev/null 2>/dev/null";
  const int status = std::system(command.c_str());  // NOLINT: our own program, a fixed text
  CHECK(WIFEXITED(status));
  CHECK(WEXITSTATUS(status) == 2);
}
