// What the faulty line does to bytes, told at its two ends; real pseudo-terminals, and waits that end when something comes.
#include "conformance/faulty_line.hpp"

#include <fcntl.h>
#include <poll.h>
#include <termios.h>
#include <unistd.h>

#include <array>
#include <catch2/catch.hpp>

namespace {

using namespace nightwell;
using namespace nightwell::conformance;

// The driver's end, by hand.
class Near {
 public:
  explicit Near(const Port& port) : fd_(::open(std::get<PtyPort>(port).path.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK)) {
    REQUIRE(fd_ >= 0);
  }
  ~Near() { ::close(fd_); }
  void send(std::string_view bytes) {
    REQUIRE(::write(fd_, bytes.data(), bytes.size()) == static_cast<ssize_t>(bytes.size()));
  }
  // All until nothing more comes for a while; "(hung up)" at the end where it did. Of so many bytes as are expected the first may
  // take long on a busy machine.
  std::string all(std::size_t expected) {
    std::string out;
    for (;;) {
      pollfd waiting{fd_, POLLIN, 0};
      if (::poll(&waiting, 1, out.size() < expected ? 20'000 : 120) <= 0) return out;
      char buffer[256];
      const auto count = ::read(fd_, buffer, sizeof buffer);
      if (count <= 0) return out + "(hung up)";
      out.append(buffer, static_cast<std::size_t>(count));
    }
  }
  // What lies there by now.
  bool hears_at_once(const std::string& expected) {
    std::array<char, 256> buffer{};
    const auto count = ::read(fd_, buffer.data(), buffer.size());
    return count > 0 && std::string_view(buffer.data(), static_cast<std::size_t>(count)) == expected;
  }
  bool hears(const std::string& expected) {
    const std::string heard = all(expected.size());
    UNSCOPED_INFO("heard \"" << heard << "\"");
    return heard == expected;
  }

 private:
  int fd_;
};

std::unique_ptr<FaultyLine> counting_line() {
  auto count = std::make_shared<int>(0);
  Mirrored mirror;
  mirror.hear = [count](std::string_view) { return "reply " + std::to_string(++*count) + "\n"; };
  auto line = FaultyLine::open(mirror, Duration{});
  REQUIRE(line.ok());
  return std::move(line).value();
}

TEST_CASE("A line without a fault passes everything on, and remembers it", "[faulty_line]") {
  const auto line = counting_line();
  Near near(line->near_port());
  near.send("a\n");
  CHECK(near.hears("reply 1\n"));
  const auto passed = line->since(0);
  REQUIRE(passed.size() == 3);
  CHECK((passed[0].way == Passage::Way::to_instrument && passed[0].bytes == "a\n"));
  CHECK((passed[1].way == Passage::Way::from_instrument && passed[1].bytes == "reply 1\n"));
  CHECK((passed[2].way == Passage::Way::to_driver && passed[2].bytes == "reply 1\n"));
}

TEST_CASE("What was sent before a look is seen by it, however late the line's thread is", "[faulty_line]") {
  const auto line = counting_line();
  Near near(line->near_port());
  for (int i = 1; i <= 200; ++i) {
    const std::size_t mark = line->mark();
    near.send("a\n");
    const auto passed = line->since(mark);
    REQUIRE(passed.size() == 3);
    REQUIRE(near.hears_at_once("reply " + std::to_string(i) + "\n"));
  }
}

TEST_CASE("Each fault spoils one reply as its name says, and the next one is good", "[faulty_line]") {
  const auto [spoil, heard] = GENERATE(table<Spoil, std::string>({{Spoil::silent, ""},
                                                                  {Spoil::cut_short, "repl"},
                                                                  {Spoil::split, "reply 2\n"},
                                                                  {Spoil::twice, "reply 2\nreply 2\n"},
                                                                  {Spoil::old_in_front, "reply 1\nreply 2\n"},
                                                                  {Spoil::echo, "b\nreply 2\n"}}));
  const auto line = counting_line();
  Near near(line->near_port());
  near.send("a\n");
  CHECK(near.hears("reply 1\n"));
  line->spoil(spoil, 1);
  near.send("b\n");
  CHECK(near.hears(heard));
  near.send("c\n");
  CHECK(near.hears("reply 3\n"));
}

TEST_CASE("A late reply comes with the next command", "[faulty_line]") {
  const auto line = counting_line();
  Near near(line->near_port());
  line->spoil(Spoil::late, 1);
  near.send("a\n");
  CHECK(near.hears(""));
  near.send("b\n");
  CHECK(near.hears("reply 1\nreply 2\n"));
}

TEST_CASE("Garbage is none of the reply's bytes but its end", "[faulty_line]") {
  const auto line = counting_line();
  Near near(line->near_port());
  line->spoil(Spoil::garbage, 1);
  near.send("a\n");
  const std::string heard = near.all(8);
  REQUIRE(heard.size() == 8);
  CHECK(heard.back() == '\n');
  for (const char c : heard.substr(0, 7)) CHECK(static_cast<unsigned char>(c) >= 0x80);
}

TEST_CASE("Behind a dam, and on a short-circuited line, the instrument hears nothing", "[faulty_line]") {
  const auto line = counting_line();
  Near near(line->near_port());
  line->dam(true);
  near.send("a\n");
  CHECK(near.hears(""));
  CHECK(line->since(0).at(0).way == Passage::Way::kept_from_instrument);
  line->dam(false);
  line->spoil(Spoil::looped, 0);
  near.send("b\n");
  CHECK(near.hears("b\n"));
  line->clear();
  near.send("c\n");
  CHECK(near.hears("reply 1\n"));
}

TEST_CASE("Unplugged, the port hangs up and comes back under its name", "[faulty_line]") {
  const auto line = counting_line();
  {
    Near near(line->near_port());
    line->spoil(Spoil::unplugged, 1);
    near.send("a\n");
    CHECK(near.hears("(hung up)"));
  }
  const std::string path = std::get<PtyPort>(line->near_port()).path;
  const auto end = std::chrono::steady_clock::now() + std::chrono::seconds(10);
  while (::access(path.c_str(), F_OK) != 0 && std::chrono::steady_clock::now() < end) ::poll(nullptr, 0, 10);
  Near near(line->near_port());
  near.send("b\n");
  CHECK(near.hears("reply 2\n"));
}

TEST_CASE("An instrument's port that cannot be opened is an error", "[faulty_line]") {
  const auto line = FaultyLine::open(Port(PtyPort{"/nowhere/port"}), Duration{100'000});
  REQUIRE_FALSE(line.ok());
  CHECK(line.error().code == Errc::port_gone);
}

}  // namespace
