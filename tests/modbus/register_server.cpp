#include "modbus/register_server.hpp"

#include <algorithm>
#include <bit>
#include <fstream>
#include <sstream>

#include "dialect/checksum.hpp"

namespace nightwell::modbus::test {

namespace {

unsigned octet_at(const std::string& bytes, std::size_t at) {
  return static_cast<unsigned char>(bytes.at(at));
}
unsigned word_at(const std::string& bytes, std::size_t at) {
  return octet_at(bytes, at) << 8U | octet_at(bytes, at + 1);
}
std::string word_text(unsigned word) {
  return {static_cast<char>(word >> 8U & 0xFFU), static_cast<char>(word & 0xFFU)};
}
std::string refusal_of(const std::string& data, int code) {
  return {static_cast<char>(octet_at(data, 0) | 0x80U), static_cast<char>(code)};
}

}  // namespace

std::string RegisterServer::framed(const std::string& data, unsigned transaction, int from_unit) const {
  const std::string body = static_cast<char>(from_unit) + data;
  if (framing == dialect::Framing::tcp)
    return word_text(transaction) + word_text(0) + word_text(static_cast<unsigned>(body.size())) + body;
  const unsigned check = dialect::crc16_modbus(body);
  return body + static_cast<char>(check & 0xFFU) + static_cast<char>(check >> 8U);
}

std::string RegisterServer::answer(const std::string& request) {
  const bool tcp = framing == dialect::Framing::tcp;
  if (request.size() < (tcp ? 8U : 4U)) return "";
  const unsigned transaction = tcp ? word_at(request, 0) : 0;
  const std::string data = tcp ? request.substr(7) : request.substr(1, request.size() - 3);
  const int asked = static_cast<int>(octet_at(request, tcp ? 6 : 0));
  if (asked != unit || framed(data, transaction, asked) != request) return "";
  ++requests;
  return framed(exception != 0 ? refusal_of(data, exception) : carry_out(data), transaction, unit);
}

std::string RegisterServer::carry_out(const std::string& data) {
  const unsigned function = octet_at(data, 0);
  if (function >= 1 && function <= 4) return read(data);
  const int first = static_cast<int>(word_at(data, 1));
  if (function == 5) {
    if (!coils.contains(first)) return refusal_of(data, 2);
    coils[first] = word_at(data, 3) == 0xFF00U;
  } else if (function == 6 || function == 16) {
    const int count = function == 6 ? 1 : static_cast<int>(word_at(data, 3));
    for (int i = 0; i < count; ++i) {
      if (!holding.contains(first + i)) return refusal_of(data, 2);
      const unsigned value = word_at(data, (function == 6 ? 3U : 6U) + 2U * static_cast<unsigned>(i));
      holding[first + i] = static_cast<std::uint16_t>(std::min(static_cast<int>(value), highest_setpoint));
    }
  } else {
    return refusal_of(data, 1);
  }
  ++writes;
  follow_output(*this);
  return data.substr(0, 5);
}

std::string RegisterServer::read(const std::string& data) {
  const unsigned function = octet_at(data, 0);
  const int first = static_cast<int>(word_at(data, 1)), count = static_cast<int>(word_at(data, 3));
  std::string values;
  for (int address = first; address < first + count; ++address) {
    if (function <= 2) {
      const auto& bits = function == 1 ? coils : discrete;
      if (!bits.contains(address)) return refusal_of(data, 2);
      const int place = address - first;
      if (place % 8 == 0) values += '\0';
      if (bits.at(address))
        values.back() = static_cast<char>(static_cast<unsigned char>(values.back()) | 1U << (place % 8));
    } else {
      const auto& words = function == 3 ? holding : input;
      if (!words.contains(address)) return refusal_of(data, 2);
      values += word_text(words.at(address));
    }
  }
  ++reads;
  return std::string(1, data[0]) + static_cast<char>(values.size()) + values;
}

RegisterServer furnace(dialect::Framing framing) {
  RegisterServer server(framing);
  const auto bits = std::bit_cast<std::uint32_t>(20.5F);
  server.input = {{0, 20055}, {1, 7}, {2, 103}, {12, 0}};
  server.input[8] = static_cast<std::uint16_t>(bits & 0xFFFFU);
  server.input[9] = static_cast<std::uint16_t>(bits >> 16U);
  server.holding = {{16, 210}, {20, 0}, {21, 0}};
  server.coils = {{0, false}};
  return server;
}

void follow_output(RegisterServer& server) {
  if (!server.coils.contains(0)) return;
  server.input[12] = static_cast<std::uint16_t>((server.coils.at(0) ? 1U : 0U) | (server.holding[21] != 0 ? 4U : 0U));
}

std::string furnace_dialect(dialect::Framing framing) {
  std::ifstream file(std::string(NIGHTWELL_SOURCE_DIR) + "/drivers/dialects/register-furnace.json");
  std::ostringstream text;
  text << file.rdbuf();
  std::string out = text.str();
  const std::string rtu = "\"framing\": \"rtu\"";
  if (framing == dialect::Framing::tcp) out.replace(out.find(rtu), rtu.size(), "\"framing\": \"tcp\"");
  return out;
}

}  // namespace nightwell::modbus::test
