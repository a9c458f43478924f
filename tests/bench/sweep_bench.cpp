// A scanner sweep by our engine: so many readings of so many channels, one scanner after the other's reply, scanners beside
// each other. Driven by sweep_bench.py, which measures a plain script on the same ports beside it.
//
//   sweep_bench READINGS PTY…           prints JSON: wall_s, cpu_s (of this process, getrusage), readings, sum (of the values)
//   sweep_bench --floor READINGS PTY    the same by the least that any program can do: write, wait, read, and no look at what
//                                       lies on the line, no deadline, no error. What this machine asks for the calls alone.
#include <fcntl.h>
#include <poll.h>
#include <sys/resource.h>
#include <unistd.h>

#include <asio/co_spawn.hpp>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <memory>
#include <string>
#include <vector>

#include "drivers/registry.hpp"
#include "instrument/open_port.hpp"

namespace {

using namespace nightwell;
using namespace nightwell::instrument;

struct Sums {
  double values = 0;
  std::size_t readings = 0;
  bool failed = false;
};

asio::awaitable<void> identify(Scanner& scanner, Sums& sums) {
  const auto identity = co_await scanner.identify();
  if (identity) co_return;
  sums.failed = true;
  std::fprintf(stderr, "%s\n", identity.error().text().c_str());
}

asio::awaitable<void> sweep(Scanner& scanner, int readings, Sums& sums) {
  ChannelSetup channel;
  channel.measures = Quantity::resistance;
  for (int i = 0; i < readings && !sums.failed; ++i) {
    channel.address = 101 + i % 20;
    const auto reading = co_await scanner.read(channel);
    if (reading) {
      sums.values += reading->value;
      ++sums.readings;
    } else {
      sums.failed = true;
      std::fprintf(stderr, "%s\n", reading.error().text().c_str());
    }
  }
}

double cpu_s() {
  rusage used{};
  ::getrusage(RUSAGE_SELF, &used);
  const auto seconds = [](const timeval& t) {
    return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) / 1e6;
  };
  return seconds(used.ru_utime) + seconds(used.ru_stime);
}

int print(double wall_s, double used_s, const Sums& sums) {
  std::printf("{\"wall_s\": %.6f, \"cpu_s\": %.6f, \"readings\": %zu, \"sum\": %.9g}\n", wall_s, used_s, sums.readings,
              sums.values);
  return sums.failed ? 1 : 0;
}

// A reply that comes in two parts, or not at all, ends it: this is a yardstick, not a client.
int floor_of(int readings, const char* path) {
  const int fd = ::open(path, O_RDWR | O_NOCTTY | O_CLOEXEC);
  if (fd < 0) return 2;
  Sums sums;
  char text[64];
  const double cpu_before_s = cpu_s();
  const auto begin = std::chrono::steady_clock::now();
  for (int i = 0; i < readings && !sums.failed; ++i) {
    const int length = std::snprintf(text, sizeof text, "MEASure:FRESistance? (@%d)\n", 101 + i % 20);
    pollfd waiting{fd, POLLIN, 0};
    sums.failed = ::write(fd, text, static_cast<std::size_t>(length)) != length || ::poll(&waiting, 1, 2000) != 1;
    const ssize_t got = sums.failed ? 0 : ::read(fd, text, sizeof text - 1);
    sums.failed = got <= 0 || text[got - 1] != '\n';
    if (sums.failed) break;
    text[got] = '\0';
    sums.values += std::strtod(text, nullptr);
    ++sums.readings;
  }
  const double wall_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
  const double used_s = cpu_s() - cpu_before_s;
  ::close(fd);
  return print(wall_s, used_s, sums);
}

}  // namespace

int main(int count, char** arguments) {
  if (count < 3) return 2;
  if (std::string(arguments[1]) == "--floor") return count == 4 ? floor_of(std::atoi(arguments[2]), arguments[3]) : 2;
  ignore_sigpipe();
  asio::io_context io{1};
  const int readings = std::atoi(arguments[1]);
  const Registry registry = drivers::registry();
  std::vector<std::unique_ptr<Scanner>> scanners;
  Sums sums;
  // Timers of deadlines outlive the calls: what counts is when the last sweep ended.
  std::chrono::steady_clock::time_point end;
  double cpu_after_s = 0;
  const auto ended = [&](std::exception_ptr failed) {
    sums.failed = sums.failed || failed;
    end = std::chrono::steady_clock::now();
    cpu_after_s = cpu_s();
  };
  for (int i = 2; i < count; ++i) {
    ConnectionSettings settings;
    settings.name = arguments[i];
    settings.driver = "scpi-scanner";
    settings.port = PtyPort{arguments[i]};
    settings.reply = std::chrono::seconds(2);
    auto made = registry.scanners.at(settings.driver)(io, settings);
    if (!made) return 1;
    scanners.push_back(std::move(made).value());
    asio::co_spawn(io, identify(*scanners.back(), sums), ended);
  }
  io.run();
  io.restart();
  const double cpu_before_s = cpu_s();
  const auto begin = std::chrono::steady_clock::now();
  for (const auto& scanner : scanners) asio::co_spawn(io, sweep(*scanner, readings, sums), ended);
  io.run();
  const double wall_s = std::chrono::duration<double>(end - begin).count();
  return print(wall_s, cpu_after_s - cpu_before_s, sums);
}
