#include "drivers/sim/modbus_manner.hpp"

#include <bit>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <limits>
#include <optional>
#include <vector>

#include "drivers/sim/scpi.hpp"
#include "drivers/sim/world.hpp"

namespace nightwell::sim {
namespace {

enum Exception { illegal_function = 1, illegal_address = 2, illegal_value = 3, device_failure = 4 };

unsigned octet(std::string_view bytes, std::size_t at) {
  return static_cast<unsigned char>(bytes[at]);
}
unsigned word(std::string_view bytes, std::size_t at) {
  return octet(bytes, at) << 8U | octet(bytes, at + 1);
}
void put_word(std::string& out, unsigned value) {
  out += static_cast<char>(value >> 8U & 0xFFU);
  out += static_cast<char>(value & 0xFFU);
}

// "MODBUS over serial line" V1.02, section 6.2.2; the low byte goes first.
unsigned frame_check(std::string_view bytes) {
  unsigned crc = 0xFFFF;
  for (const char byte : bytes) {
    crc ^= static_cast<unsigned char>(byte);
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U;
  }
  return crc;
}

// ---- frames ----

// Function and data, and what a reply must repeat.
struct Indication {
  std::string data;  // function first
  unsigned transaction = 0;
};

// How long a request of RTU is that begins so; 0: more bytes are needed; nullopt: nothing of ours begins so.
std::optional<std::size_t> rtu_length(std::string_view bytes) {
  if (octet(bytes, 0) != static_cast<unsigned>(modbus_unit)) return std::nullopt;
  if (bytes.size() < 2) return 0;
  const unsigned function = octet(bytes, 1);
  if (function >= 1 && function <= 6) return 8;
  if (function == 15 || function == 16) return bytes.size() < 7 ? 0 : 9 + octet(bytes, 6);
  return function == 7 || function == 17 ? std::optional<std::size_t>(4) : std::nullopt;
}

// A real device finds the beginning of a frame by the silence before it. Here bytes that begin no sound frame are dropped
// one by one, which comes to the same.
std::optional<std::string> take_rtu(std::string& received) {
  while (!received.empty()) {
    const auto length = rtu_length(received);
    if (length && (*length == 0 || received.size() < *length)) return std::nullopt;
    if (length) {
      const std::string_view frame = std::string_view(received).substr(0, *length);
      const std::string_view body = frame.substr(0, *length - 2);
      if (frame_check(body) == (octet(frame, *length - 1) << 8U | octet(frame, *length - 2))) {
        std::string out(frame);
        received.erase(0, *length);
        return out;
      }
    }
    received.erase(0, 1);
  }
  return std::nullopt;
}

std::optional<std::string> take_tcp(std::string& received) {
  if (received.size() < 8) return std::nullopt;
  const std::size_t length = word(received, 4) + 6U;
  if (word(received, 2) != 0 || length < 8 || length > 260) {
    received.clear();  // a real server would close the connection
    return std::nullopt;
  }
  if (received.size() < length) return std::nullopt;
  std::string out = received.substr(0, length);
  received.erase(0, length);
  return out;
}

// ---- registers ----

std::optional<double> number_of(const std::string& text) {
  const auto value = scpi::number(text);
  const double* number = std::get_if<double>(&value);
  return number == nullptr ? std::nullopt : std::optional<double>(*number);
}

// What the instrument says to `questions`, in its order.
constexpr const char* questions = ":TEMP:SPO?;:OUTP?;:MEAS:TEMP?;*IDN?";
struct State {
  double setpoint_c = 0;
  bool output = false;
  std::optional<double> temperature_c;
  std::string identity;
};
State state_in(std::string reply) {
  State out;
  std::vector<std::string> parts;
  for (int i = 0; i < 3; ++i) {
    const std::size_t end = std::min(reply.find(';'), reply.size());
    parts.push_back(reply.substr(0, end));
    reply.erase(0, std::min(end + 1, reply.size()));
  }
  out.identity = reply;
  out.setpoint_c = number_of(parts[0]).value_or(0);
  out.output = parts[1] == "1";
  if (const auto t_c = number_of(parts[2]); t_c && std::abs(*t_c) < 1e30) out.temperature_c = *t_c;
  return out;
}

class ModbusManner final : public Manner {
 public:
  explicit ModbusManner(bool tcp) : tcp_(tcp) {}

  [[nodiscard]] bool is_binary() const override { return true; }
  std::optional<std::string> take_frame(std::string& received) override {
    return tcp_ ? take_tcp(received) : take_rtu(received);
  }
  void power_on() override { remote_ = idle_ = false; }

  std::string understood(const std::string& line, double) override {
    answer_.clear();
    const Indication asked = indication(line);
    const unsigned function = octet(asked.data, 0);
    if (function >= 1 && function <= 4 && asked.data.size() == 5) return questions;
    if ((function == 5 || function == 6) && asked.data.size() == 5)
      return write(asked.data, function == 5, word(asked.data, 1), word(asked.data, 3));
    if (function == 16 && asked.data.size() == 8 && word(asked.data, 3) == 1 && octet(asked.data, 5) == 2)
      return write(asked.data, false, word(asked.data, 1), word(asked.data, 6));
    if (function == 16) return fail(asked.data, illegal_value);
    return fail(asked.data, illegal_function);
  }

  std::string said(const std::string& line, const std::string& reply) override {
    const Indication asked = indication(line);
    if (octet(asked.data, 0) <= 4 && answer_.empty()) answer_ = values(asked.data, state_in(reply));
    if (answer_.empty()) answer_ = reply.starts_with("0,") ? echo(asked.data) : refusal(asked.data, illegal_value);
    return framed(asked, answer_);
  }

  std::string refused(const std::string& line, int code) override {
    const Indication asked = indication(line);
    return framed(asked, refusal(asked.data, code));
  }

 private:
  [[nodiscard]] Indication indication(const std::string& line) const {
    if (tcp_) return Indication{line.substr(7), word(line, 0)};
    return Indication{line.substr(1, line.size() - 3), 0};
  }
  [[nodiscard]] std::string framed(const Indication& asked, const std::string& data) const {
    std::string out;
    if (tcp_) {
      put_word(out, asked.transaction);
      put_word(out, 0);
      put_word(out, static_cast<unsigned>(data.size()) + 1);
    }
    out += static_cast<char>(modbus_unit);
    out += data;
    if (tcp_) return out;
    const unsigned check = frame_check(out);
    out += static_cast<char>(check & 0xFFU);
    out += static_cast<char>(check >> 8U);
    return out;
  }
  static std::string refusal(const std::string& asked, int code) {
    std::string out;
    out += static_cast<char>(octet(asked, 0) | 0x80U);
    out += static_cast<char>(code);
    return out;
  }
  // Of a write: its function, address, and value or count.
  static std::string echo(const std::string& asked) { return asked.substr(0, 5); }
  std::string fail(const std::string& asked, int code) {
    answer_ = refusal(asked, code);
    return "";
  }
  std::string done(const std::string& asked) {
    answer_ = echo(asked);
    return "";
  }

  std::string write(const std::string& asked, bool coil, unsigned address, unsigned value) {
    if (coil ? address != 0 : address != 16 && address != 20 && address != 21) return fail(asked, illegal_address);
    if (coil && value != 0 && value != 0xFF00) return fail(asked, illegal_value);
    if (!coil && address != 16 && value > 1) return fail(asked, illegal_value);
    if (!coil && address == 20) return remote_ = value == 1, done(asked);
    if (coil && value == 0) return "OUTP 0;:SYST:ERR?";
    if (!remote_) return fail(asked, device_failure);
    if (coil) return idle_ = false, "OUTP 1;:SYST:ERR?";
    if (address == 21) return idle_ = value == 1, done(asked);
    char text[64];
    std::snprintf(text, sizeof text, "TEMP:SPO %.1f;:SYST:ERR?", static_cast<std::int16_t>(value) / 10.0);
    return text;
  }

  [[nodiscard]] std::optional<unsigned> input(unsigned address, const State& state) const {
    const float t_c = static_cast<float>(state.temperature_c.value_or(std::numeric_limits<double>::quiet_NaN()));
    const auto bits = std::bit_cast<std::uint32_t>(t_c);
    switch (address) {
      case 0: return 20055;
      case 1: return static_cast<unsigned>(hash(state.identity) & 0xFFFFU);
      case 2: return 103;
      case 8: return bits & 0xFFFFU;
      case 9: return bits >> 16U;
      case 12: return (state.output ? 1U : 0U) | (state.temperature_c ? 0U : 2U) | (idle_ ? 4U : 0U);
      default: return std::nullopt;
    }
  }
  [[nodiscard]] std::optional<unsigned> holding(unsigned address, const State& state) const {
    if (address == 16) return static_cast<unsigned>(std::lround(state.setpoint_c * 10)) & 0xFFFFU;
    if (address == 20) return remote_ ? 1U : 0U;
    if (address == 21) return idle_ ? 1U : 0U;
    return std::nullopt;
  }

  [[nodiscard]] std::string values(const std::string& asked, const State& state) const {
    const unsigned function = octet(asked, 0), first = word(asked, 1), count = word(asked, 3);
    const bool bits = function <= 2;
    if (count < 1 || count > (bits ? 2000U : 125U)) return refusal(asked, illegal_value);
    std::string data;
    for (unsigned address = first; address < first + count; ++address) {
      if (bits) {
        if (function != 1 || address != 0) return refusal(asked, illegal_address);
        data += static_cast<char>(state.output ? 1 : 0);
        continue;
      }
      const auto value = function == 4 ? input(address, state) : holding(address, state);
      if (!value) return refusal(asked, illegal_address);
      put_word(data, *value);
    }
    return std::string(1, asked[0]) + static_cast<char>(data.size()) + data;
  }

  bool tcp_;
  std::string answer_;  // to a request that needs no SCPI
  bool remote_ = false, idle_ = false;
};

}  // namespace

std::unique_ptr<Manner> make_modbus_manner(bool tcp) {
  return std::make_unique<ModbusManner>(tcp);
}

}  // namespace nightwell::sim
