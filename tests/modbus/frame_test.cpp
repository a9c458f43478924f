// Frames against the worked examples of the "MODBUS application protocol specification" V1.1b3, section 6 (from memory,
// the text was not at hand), and replies that are none.
#include "modbus/frame.hpp"

#include <catch2/catch.hpp>

#include "dialect/checksum.hpp"

namespace nightwell::modbus::test {

namespace {

using dialect::Framing;
using dialect::Table;
using dialect::WriteFunction;

std::string bytes_of(std::initializer_list<unsigned> values) {
  std::string out;
  for (const unsigned value : values) out += static_cast<char>(value);
  return out;
}

std::string rtu(const std::string& body) {
  const unsigned check = dialect::crc16_modbus(body);
  return body + static_cast<char>(check & 0xFFU) + static_cast<char>(check >> 8U);
}

constexpr Peer on_line{Framing::rtu, 17};
constexpr Peer on_network{Framing::tcp, 17};

struct Example {
  const char* name;
  Request request;
  std::string asked, answered;  // function and data
  std::vector<std::uint16_t> values;
};

std::vector<Example> examples() {
  return {{"read coils 20 to 38",
           ReadRequest{{Table::coil, 19}, 19},
           bytes_of({1, 0, 0x13, 0, 0x13}),
           bytes_of({1, 3, 0xCD, 0x6B, 0x05}),
           {1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1}},
          {"read discrete inputs 197 to 218",
           ReadRequest{{Table::discrete, 196}, 22},
           bytes_of({2, 0, 0xC4, 0, 0x16}),
           bytes_of({2, 3, 0xAC, 0xDB, 0x35}),
           {0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1}},
          {"read holding registers 108 to 110",
           ReadRequest{{Table::holding, 107}, 3},
           bytes_of({3, 0, 0x6B, 0, 3}),
           bytes_of({3, 6, 0x02, 0x2B, 0, 0, 0, 0x64}),
           {555, 0, 100}},
          {"read input register 9",
           ReadRequest{{Table::input, 8}, 1},
           bytes_of({4, 0, 8, 0, 1}),
           bytes_of({4, 2, 0, 0x0A}),
           {10}},
          {"write coil 173",
           WriteRequest{{Table::coil, 172}, {1}, WriteFunction::single},
           bytes_of({5, 0, 0xAC, 0xFF, 0}),
           bytes_of({5, 0, 0xAC, 0xFF, 0}),
           {}},
          {"write register 2",
           WriteRequest{{Table::holding, 1}, {3}, WriteFunction::single},
           bytes_of({6, 0, 1, 0, 3}),
           bytes_of({6, 0, 1, 0, 3}),
           {}},
          {"write registers 2 and 3",
           WriteRequest{{Table::holding, 1}, {10, 0x0102}, WriteFunction::multiple},
           bytes_of({16, 0, 1, 0, 2, 4, 0, 0x0A, 1, 2}),
           bytes_of({16, 0, 1, 0, 2}),
           {}}};
}

Errc rejected(const Peer& peer, const std::string& frame) {
  const auto values = reply_values(peer, 0x1501, ReadRequest{{Table::input, 8}, 1}, frame);
  return values ? Errc::unexpected : values.error().code;
}

}  // namespace

TEST_CASE("The specification's examples go over a line and over a network") {
  for (const Example& example : examples()) {
    INFO(example.name);
    const std::string unit = bytes_of({17});
    CHECK(request_frame(on_line, 0, example.request).value() == rtu(unit + example.asked));
    const auto header = [](const std::string& data) {
      return bytes_of({0x15, 0x01, 0, 0, 0, static_cast<unsigned>(data.size()) + 1, 17});
    };
    CHECK(request_frame(on_network, 0x1501, example.request).value() == header(example.asked) + example.asked);

    const std::string on_wire = rtu(unit + example.answered);
    const std::string on_net = header(example.answered) + example.answered;
    const auto from_line = reply_values(on_line, 0, example.request, on_wire);
    const auto from_network = reply_values(on_network, 0x1501, example.request, on_net);
    REQUIRE(from_line);
    REQUIRE(from_network);
    CHECK(*from_line == example.values);
    CHECK(*from_network == example.values);
    // How long a reply is shows in its beginning, and not one byte too early.
    for (std::size_t i = 0; i < on_wire.size(); ++i) {
      const std::size_t length = rtu_reply_length(std::string_view(on_wire).substr(0, i));
      CHECK((length == 0 || length == on_wire.size()));
    }
    CHECK(rtu_reply_length(on_wire) == on_wire.size());
    for (std::size_t i = 0; i < on_net.size(); ++i) {
      const std::size_t length = tcp_reply_length(std::string_view(on_net).substr(0, i));
      CHECK((length == 0 || length == on_net.size()));
    }
    CHECK(tcp_reply_length(on_net) == on_net.size());
  }
}

TEST_CASE("A device's exceptions are told by the names of the specification") {
  const std::pair<unsigned, const char*> names[] = {{1, "illegal function"},
                                                    {2, "illegal data address"},
                                                    {3, "illegal data value"},
                                                    {4, "server device failure"},
                                                    {5, "acknowledge"},
                                                    {6, "server device busy"},
                                                    {8, "memory parity error"},
                                                    {10, "gateway path unavailable"},
                                                    {11, "gateway target device failed to respond"}};
  for (const auto& [code, name] : names) {
    INFO(name);
    const auto values = reply_values(on_line, 0, ReadRequest{{Table::input, 8}, 1}, rtu(bytes_of({17, 0x84, code})));
    REQUIRE_FALSE(values);
    CHECK(values.error().code == (code == 11 ? Errc::no_answer : Errc::refused));
    CHECK(values.error().detail.find("exception " + std::to_string(code) + ", " + name) != std::string::npos);
  }
  CHECK(rejected(on_line, rtu(bytes_of({17, 0x84, 99}))) == Errc::garbled);
  CHECK(rejected(on_line, rtu(bytes_of({17, 0x83, 2}))) == Errc::garbled);  // of another function
}

TEST_CASE("What is not the reply to the request is garbled") {
  CHECK(rejected(on_line, rtu(bytes_of({18, 4, 2, 0, 10}))) == Errc::garbled);        // another unit
  CHECK(rejected(on_line, rtu(bytes_of({17, 3, 2, 0, 10}))) == Errc::garbled);        // another table
  CHECK(rejected(on_line, rtu(bytes_of({17, 4, 4, 0, 10, 0, 0}))) == Errc::garbled);  // more registers
  CHECK(rejected(on_line, bytes_of({17, 4, 2, 0, 10, 0, 0})) == Errc::garbled);       // checksum
  CHECK(rejected(on_line, rtu(bytes_of({17, 4, 2, 0, 10})) + "x") == Errc::garbled);  // more than a frame
  CHECK(rejected(on_line, "") == Errc::garbled);
  const auto net = [](unsigned transaction, unsigned unit) {
    return bytes_of({transaction >> 8U, transaction & 0xFFU, 0, 0, 0, 5, unit, 4, 2, 0, 10});
  };
  CHECK(reply_values(on_network, 0x1501, ReadRequest{{Table::input, 8}, 1}, net(0x1501, 17)).ok());
  CHECK(rejected(on_network, net(0x1502, 17)) == Errc::garbled);
  CHECK(rejected(on_network, net(0x1501, 18)) == Errc::garbled);
  CHECK(rejected(on_network, net(0x1501, 17).substr(0, 8)) == Errc::garbled);
  // A write is answered by its own address and value.
  const WriteRequest write{{Table::holding, 16}, {250}, WriteFunction::single};
  CHECK(reply_values(on_line, 0, write, rtu(bytes_of({17, 6, 0, 16, 0, 250}))).ok());
  CHECK_FALSE(reply_values(on_line, 0, write, rtu(bytes_of({17, 6, 0, 16, 0, 251}))).ok());
  CHECK_FALSE(reply_values(on_line, 0, write, rtu(bytes_of({17, 6, 0, 17, 0, 250}))).ok());
}

TEST_CASE("What begins no reply is said so at once") {
  CHECK(rtu_reply_length(bytes_of({17, 43})) == no_reply);
  CHECK(rtu_reply_length(bytes_of({17, 0xFF})) == 5);
  CHECK(tcp_reply_length(bytes_of({0, 1, 0, 7})) == no_reply);
  CHECK(tcp_reply_length(bytes_of({0, 1, 0, 0, 1, 0xFF})) == no_reply);
  CHECK(tcp_reply_length(bytes_of({0, 1, 0, 0, 0, 2})) == no_reply);
}

}  // namespace nightwell::modbus::test
