// What the kernel refuses a process that went into the sandbox: each thing is tried in a process of its own, without the sandbox
// (where it must work, or the check would prove nothing) and inside it.
#include "relay/sandbox.hpp"

#include <arpa/inet.h>
#include <dirent.h>
#include <fcntl.h>
#include <pthread.h>
#include <sys/mman.h>
#include <sys/ptrace.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <cerrno>
#include <csignal>
#include <cstring>
#include <fstream>
#include <functional>
#include <optional>

#include "support/temporary_folder.hpp"

using namespace nightwell;

namespace {

namespace fs = std::filesystem;

// Zero, or errno of a call that gave -1.
int outcome(long result) {
  return result < 0 ? errno : 0;
}

// A file, a folder of it, and listeners that a process could connect to.
struct Surroundings {
  tests::TemporaryFolder folder;
  fs::path runs = folder / "runs", file = runs / "journal.ndjson", outside = folder / "outside";
  int tcp = ::socket(AF_INET, SOCK_STREAM, 0), local = ::socket(AF_UNIX, SOCK_STREAM, 0);
  sockaddr_in tcp_at{};
  sockaddr_un local_at{};

  Surroundings() {
    fs::create_directory(runs);
    std::ofstream(file) << "text";
    std::ofstream(outside) << "text";
    tcp_at.sin_family = AF_INET;
    tcp_at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    socklen_t size = sizeof tcp_at;
    REQUIRE(::bind(tcp, reinterpret_cast<sockaddr*>(&tcp_at), size) == 0);
    REQUIRE(::listen(tcp, 100) == 0);
    REQUIRE(::getsockname(tcp, reinterpret_cast<sockaddr*>(&tcp_at), &size) == 0);
    local_at.sun_family = AF_UNIX;
    std::strncpy(local_at.sun_path, (folder / "s").c_str(), sizeof local_at.sun_path - 1);
    REQUIRE(::bind(local, reinterpret_cast<sockaddr*>(&local_at), sizeof local_at) == 0);
    REQUIRE(::listen(local, 100) == 0);
  }
  ~Surroundings() {
    ::close(tcp);
    ::close(local);
  }
  Surroundings(const Surroundings&) = delete;
  Surroundings& operator=(const Surroundings&) = delete;
};

// What `act` gives in a process of its own; `prepare` runs there before the sandbox.
int in_a_process(bool sandbox, const fs::path& runs, const std::function<int()>& prepare,
                 const std::function<int(int)>& act) {
  constexpr int no_sandbox = 255;
  const pid_t child = ::fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    const int prepared = prepare ? prepare() : -1;
    if (sandbox && !relay::enter_sandbox(runs)) ::_exit(no_sandbox);
    ::_exit(act(prepared));
  }
  int status = 0;
  REQUIRE(::waitpid(child, &status, 0) == child);
  REQUIRE(WIFEXITED(status));
  REQUIRE(WEXITSTATUS(status) != no_sandbox);
  return WEXITSTATUS(status);
}

struct Attempt {
  const char* what;
  std::function<int(int prepared)> act;
  std::function<int()> prepare = nullptr;
};

void* nothing(void* argument) {
  return argument;
}

int connect_to(int socket, const void* address, std::size_t size) {
  return outcome(::connect(socket, static_cast<const sockaddr*>(address), static_cast<socklen_t>(size)));
}

std::vector<Attempt> to_be_refused(const Surroundings& s) {
  return {
      {"reading a file outside", [&](int) { return outcome(::open(s.outside.c_str(), O_RDONLY)); }},
      {"opening for writing", [&](int) { return outcome(::open(s.file.c_str(), O_WRONLY)); }},
      {"opening for both", [&](int) { return outcome(::open(s.file.c_str(), O_RDWR)); }},
      {"appending", [&](int) { return outcome(::open(s.file.c_str(), O_WRONLY | O_APPEND)); }},
      {"opening to empty it", [&](int) { return outcome(::open(s.file.c_str(), O_RDONLY | O_TRUNC)); }},
      {"making a file", [&](int) { return outcome(::open((s.runs / "new").c_str(), O_RDONLY | O_CREAT, 0600)); }},
      {"cutting a file", [&](int) { return outcome(::truncate(s.file.c_str(), 2)); }},
      {"changing a mode", [&](int) { return outcome(::chmod(s.file.c_str(), 0600)); }},
      {"renaming a file", [&](int) { return outcome(::rename(s.file.c_str(), s.file.c_str())); }},
      {"removing a file", [&](int) { return outcome(::unlink((s.runs / "spare").c_str())); },
       [&] {
         std::ofstream(s.runs / "spare") << "text";
         return 0;
       }},
      {"making a folder", [&](int n) { return outcome(::mkdir((s.runs / std::to_string(n)).c_str(), 0700)); },
       [] { return static_cast<int>(::getpid()); }},
      {"making a local socket", [](int) { return outcome(::socket(AF_UNIX, SOCK_STREAM, 0)); }},
      {"making a socket", [](int) { return outcome(::socket(AF_INET, SOCK_STREAM, 0)); }},
      {"connecting a local socket that it has",
       [&](int socket) { return connect_to(socket, &s.local_at, sizeof s.local_at); },
       [] { return ::socket(AF_UNIX, SOCK_STREAM, 0); }},
      {"connecting a socket that it has", [&](int socket) { return connect_to(socket, &s.tcp_at, sizeof s.tcp_at); },
       [] { return ::socket(AF_INET, SOCK_STREAM, 0); }},
      {"starting a program",
       [](int) {
         ::execl("/bin/true", "true", nullptr);
         return errno;
       }},
      {"starting a process",
       [](int) {
         const pid_t child = ::fork();
         if (child == 0) ::_exit(0);
         return outcome(child);
       }},
      {"starting a thread",
       [](int) {
         pthread_t thread{};
         return ::pthread_create(&thread, nullptr, nothing, nullptr);
       }},
      {"memory that can be executed",
       [](int) {
         return ::mmap(nullptr, 4096, PROT_READ | PROT_EXEC, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0) == MAP_FAILED ? errno
                                                                                                               : 0;
       }},
      {"a signal to another process", [](int) { return outcome(::kill(::getppid(), 0)); }},
      {"letting itself be looked into", [](int) { return outcome(::ptrace(PTRACE_TRACEME, 0, nullptr, nullptr)); }},
  };
}

std::vector<Attempt> to_be_let(const Surroundings& s) {
  return {
      {"reading a journal",
       [&](int) {
         char text[4];
         return outcome(::pread(::open(s.file.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK), text, sizeof text, 0));
       }},
      {"listing the runs", [&](int) { return ::opendir(s.runs.c_str()) == nullptr ? errno : 0; }},
      {"accepting a connection", [&](int) { return outcome(::accept(s.tcp, nullptr, nullptr)); },
       [&] {
         const int socket = ::socket(AF_INET, SOCK_STREAM, 0);
         return connect_to(socket, &s.tcp_at, sizeof s.tcp_at);
       }},
  };
}

}  // namespace

TEST_CASE("inside the sandbox the kernel refuses what the relay has no use for") {
  const Surroundings surroundings;
  bool whole = false;  // this kernel has all that the sandbox is made of
  {
    const int lacking = in_a_process(false, surroundings.runs, nullptr, [&](int) {
      const auto entered = relay::enter_sandbox(surroundings.runs);
      return entered ? static_cast<int>(entered->size()) : 100;
    });
    REQUIRE(lacking < 100);
    whole = lacking == 0;
    if (!whole) WARN("this kernel lacks a part of the sandbox: what that part refuses is not tried");
  }
  for (const auto& attempt : to_be_refused(surroundings)) {
    INFO(attempt.what);
    CHECK(in_a_process(false, surroundings.runs, attempt.prepare, attempt.act) == 0);
    const int inside = in_a_process(true, surroundings.runs, attempt.prepare, attempt.act);
    if (whole) CHECK((inside == EPERM || inside == EACCES));
  }
  for (const auto& attempt : to_be_let(surroundings)) {
    INFO(attempt.what);
    CHECK(in_a_process(true, surroundings.runs, attempt.prepare, attempt.act) == 0);
  }
}

TEST_CASE("a runs folder that is not there is told before the sandbox is entered") {
  const tests::TemporaryFolder folder;
  const int code = in_a_process(false, folder / "", nullptr, [&](int) {
    const auto entered = relay::enter_sandbox(folder / "none");
    return entered ? 0 : 1 + static_cast<int>(entered.error().code == Errc::bad_input);
  });
  CHECK(code == 2);
}
