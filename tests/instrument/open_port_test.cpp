// Ports against real ptys and loopback sockets: settings, locks, deadlines, and how a port goes.
#include "instrument/open_port.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <termios.h>
#include <unistd.h>

#include <array>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <catch2/catch.hpp>
#include <memory>
#include <optional>

#include "fake_line.hpp"
#include "instrument/awaitable.hpp"
#include "instrument/tty.hpp"
#include "run_until.hpp"

namespace nightwell::instrument::test {

namespace {

SteadyTime in_ms(int ms) {
  return std::chrono::steady_clock::now() + std::chrono::milliseconds(ms);
}

using Held = std::shared_ptr<OpenPort>;

asio::awaitable<void> open_into(Held port, int deadline_ms, std::optional<Result<void>>& result) {
  result = co_await port->open(in_ms(deadline_ms));
}

asio::awaitable<void> read_into(Held port, int deadline_ms, std::optional<Result<std::size_t>>& result) {
  std::array<char, 64> bytes{};
  const std::span<char> room(bytes);
  result = co_await port->read_some(room, in_ms(deadline_ms));
}

asio::awaitable<void> write_into(Held port, std::string bytes, int deadline_ms, std::optional<Result<void>>& result) {
  result = co_await port->write_all(bytes, in_ms(deadline_ms));
}

asio::awaitable<void> let_in(FakeLine& line) {
  co_await line.accept();
}

template <class Outcome>
Outcome outcome_of(asio::io_context& io, std::optional<Outcome>& outcome) {
  REQUIRE(run_until(io, [&] { return outcome.has_value(); }));
  return *outcome;
}

Result<void> opened(asio::io_context& io, const Held& port, int deadline_ms = 2000) {
  std::optional<Result<void>> result;
  asio::co_spawn(io, open_into(port, deadline_ms, result), asio::detached);
  return outcome_of(io, result);
}

Result<std::size_t> read(asio::io_context& io, const Held& port, int deadline_ms) {
  std::optional<Result<std::size_t>> count;
  asio::co_spawn(io, read_into(port, deadline_ms, count), asio::detached);
  return outcome_of(io, count);
}

Result<void> written(asio::io_context& io, const Held& port, std::string bytes, int deadline_ms) {
  std::optional<Result<void>> sent;
  asio::co_spawn(io, write_into(port, std::move(bytes), deadline_ms, sent), asio::detached);
  return outcome_of(io, sent);
}

std::string text_of(const Result<void>& result) {
  return result ? "ok" : result.error().text();
}

}  // namespace

TEST_CASE("a line is opened raw, whatever another program left behind (fault 9)", "[port]") {
  asio::io_context io{1};
  FakeLine line(io, LineKind::pty);
  termios left{};
  REQUIRE(tcgetattr(line.program_side_fd(), &left) == 0);
  left.c_lflag |= ECHO | ICANON | ISIG;
  left.c_iflag |= IXON | ICRNL | ISTRIP;
  left.c_oflag |= OPOST | ONLCR;
  REQUIRE(tcsetattr(line.program_side_fd(), TCSANOW, &left) == 0);

  const auto port = std::make_shared<OpenPort>(io, line.port());
  const Result<void> result = opened(io, port);
  REQUIRE(text_of(result) == "ok");
  termios now{};
  REQUIRE(tcgetattr(line.program_side_fd(), &now) == 0);
  CHECK(now.c_iflag == 0);
  CHECK(now.c_oflag == 0);
  CHECK(now.c_lflag == 0);
  CHECK((now.c_cflag & CSIZE) == CS8);
  CHECK((now.c_cflag & CLOCAL) != 0);
  CHECK((now.c_cflag & HUPCL) == 0);
  CHECK(now.c_cc[VMIN] == 1);
}

TEST_CASE("a setting that the device did not take is an error, not a hope", "[port]") {
  asio::io_context io{1};
  FakeLine line(io, LineKind::pty);  // Linux ptys have no parity and always 8 bits
  SerialPort serial;
  serial.path = std::get<PtyPort>(line.port()).path;
  serial.parity = "even";
  serial.data_bits = 7;
  const Result<int> fd = open_serial(serial);
  REQUIRE_FALSE(fd.ok());
  CHECK(fd.error().code == Errc::port_settings);
  CHECK(fd.error().detail.find("parity") != std::string::npos);
  CHECK(fd.error().detail.find("data bits") != std::string::npos);
  CHECK(fd.error().where == "serial " + serial.path);
  for (const char* flow : {"none", "hardware", "software"}) {  // which a pty does take
    SerialPort plain;
    plain.path = serial.path;
    plain.baud = 115200;
    plain.flow = flow;
    const Result<int> good = open_serial(plain);
    REQUIRE(good.ok());
    forget_output(*good);
    ::close(*good);
  }
}

TEST_CASE("settings that do not exist are refused before the device is touched", "[port]") {
  SerialPort serial;
  serial.path = "/nonexistent/line";
  serial.baud = 9601;
  CHECK(open_serial(serial).error().code == Errc::port_settings);
  serial.baud = 9600;
  serial.parity = "sometimes";
  CHECK(open_serial(serial).error().code == Errc::port_settings);
  serial.parity = "none";
  const Result<int> missing = open_serial(serial);
  CHECK(missing.error().code == Errc::port_gone);
  CHECK(missing.error().text().find("/nonexistent/line") != std::string::npos);
  SerialPort file;
  file.path = "/dev/null";
  CHECK(open_serial(file).error().code == Errc::port_settings);
}

TEST_CASE("a control line that a device does not have is no setting that was quietly left out (fault 8)", "[port]") {
  asio::io_context io{1};
  FakeLine line(io, LineKind::pty);  // a pseudo-terminal has no control lines
  SerialPort serial;
  serial.path = std::get<PtyPort>(line.port()).path;
  for (std::string SerialPort::*which : {&SerialPort::dtr, &SerialPort::rts}) {
    SerialPort asked = serial;
    asked.*which = "off";
    CHECK(open_serial(asked).error().code == Errc::port_settings);
    asked.*which = "sometimes";
    CHECK(open_serial(asked).error().code == Errc::port_settings);
  }
  const Result<int> good = open_serial(serial);
  REQUIRE(good.ok());
  forget_output(*good);
  ::close(*good);
}

TEST_CASE("a port has one owner (fault 7)", "[port]") {
  asio::io_context io{1};
  FakeLine line(io, LineKind::pty);
  const auto first = std::make_shared<OpenPort>(io, line.port());
  const auto second = std::make_shared<OpenPort>(io, line.port());
  REQUIRE(text_of(opened(io, first)) == "ok");
  const Result<void> refused = opened(io, second);
  REQUIRE_FALSE(refused.ok());
  CHECK(refused.error().code == Errc::port_busy);
  CHECK(refused.error().where == port_name(line.port()));
  first->close();
  CHECK(text_of(opened(io, second)) == "ok");
}

TEST_CASE("a read ends at its deadline, and the next read is not affected", "[port]") {
  for (const LineKind kind : {LineKind::pty, LineKind::tcp}) {
    asio::io_context io{1};
    FakeLine line(io, kind);
    asio::co_spawn(io, let_in(line), asio::detached);
    const auto port = std::make_shared<OpenPort>(io, line.port());
    REQUIRE(text_of(opened(io, port)) == "ok");
    const Result<std::size_t> nothing = read(io, port, 20);
    REQUIRE_FALSE(nothing.ok());
    CHECK(nothing.error().code == Errc::no_answer);

    std::string bytes = "abc";
    asio::co_spawn(io, line.send(std::move(bytes)), asio::detached);
    const Result<std::size_t> count = read(io, port, 5000);
    REQUIRE(count.ok());
    CHECK(*count == 3);
  }
}

TEST_CASE("closing ends a pending read at once, and leaves nothing running", "[port]") {
  for (const LineKind kind : {LineKind::pty, LineKind::tcp}) {
    asio::io_context io{1};
    FakeLine line(io, kind);
    asio::co_spawn(io, let_in(line), asio::detached);
    const auto port = std::make_shared<OpenPort>(io, line.port());
    REQUIRE(text_of(opened(io, port)) == "ok");
    std::optional<Result<std::size_t>> count;
    asio::co_spawn(io, read_into(port, 600'000, count), asio::detached);
    io.restart();
    io.poll();
    port->close();
    io.restart();
    io.run_for(std::chrono::seconds(10));
    CHECK(io.stopped());  // the deadline's timer is gone too
    REQUIRE(count);
    CHECK(count->error().code == Errc::port_gone);
  }
}

TEST_CASE("an unplugged line is gone, not late (faults 1, 23)", "[port]") {
  ignore_sigpipe();
  for (const LineKind kind : {LineKind::pty, LineKind::tcp}) {
    asio::io_context io{1};
    FakeLine line(io, kind);
    asio::co_spawn(io, let_in(line), asio::detached);
    const auto port = std::make_shared<OpenPort>(io, line.port());
    REQUIRE(text_of(opened(io, port)) == "ok");
    std::optional<Result<std::size_t>> count;
    asio::co_spawn(io, read_into(port, 600'000, count), asio::detached);
    io.restart();
    io.poll();
    line.unplug();
    CHECK(outcome_of(io, count).error().code == Errc::port_gone);
    CHECK(read(io, port, 600'000).error().code == Errc::port_gone);

    // Writing on: TCP tells at the second write at the latest, by an error and not by a signal.
    Result<void> sent = written(io, port, "x\n", 500);
    if (sent) sent = written(io, port, "x\n", 500);
    REQUIRE_FALSE(sent.ok());
    CHECK(sent.error().code == Errc::port_gone);
  }
}

TEST_CASE("a line that takes no more bytes ends the write at its deadline, and closing does not wait (faults 10, 11)",
          "[port]") {
  asio::io_context io{1};
  FakeLine line(io, LineKind::pty);  // nobody reads the other end
  const auto port = std::make_shared<OpenPort>(io, line.port());
  REQUIRE(text_of(opened(io, port)) == "ok");
  const Result<void> sent = written(io, port, std::string(100'000, 'x'), 50);
  REQUIRE_FALSE(sent.ok());
  CHECK(sent.error().code == Errc::no_answer);
  port->close();
  CHECK_FALSE(port->is_open());
}

TEST_CASE("a TCP port that nobody listens on is gone", "[port]") {
  asio::io_context io{1};
  TcpPort nobody;
  nobody.host = "127.0.0.1";
  {
    FakeLine line(io, LineKind::tcp);
    nobody.port = std::get<TcpPort>(line.port()).port;
  }
  const auto port = std::make_shared<OpenPort>(io, nobody);
  const Result<void> result = opened(io, port);
  REQUIRE_FALSE(result.ok());
  CHECK(result.error().code == Errc::port_gone);
  CHECK(result.error().where == port_name(nobody));
}

TEST_CASE("a TCP peer that drops our connection request ends at the deadline (fault 22)", "[port]") {
  asio::io_context io{1};
  // A listener whose queue is full answers no further requests (Linux).
  FakeLine line(io, LineKind::tcp);
  std::vector<Held> filling;
  Result<void> result = Result<void>();
  for (int i = 0; i < 12 && result; ++i) {
    filling.push_back(std::make_shared<OpenPort>(io, line.port()));
    result = opened(io, filling.back(), 150);
  }
  REQUIRE_FALSE(result.ok());
  CHECK(result.error().code == Errc::no_answer);
  CHECK(result.error().doing == "connecting");
}

}  // namespace nightwell::instrument::test
