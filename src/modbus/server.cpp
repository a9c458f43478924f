#include "modbus/server.hpp"

#include <algorithm>
#include <optional>
#include <variant>

#include "dialect/checksum.hpp"

namespace nightwell::modbus {

namespace {

using dialect::Framing;
using dialect::RegisterAddress;
using dialect::Table;
using dialect::WriteFunction;

enum Refusal { illegal_function = 1, illegal_address = 2, illegal_value = 3 };
constexpr int most_bits = 2000, most_registers = 125, most_written = 123;
constexpr std::size_t tcp_head = 6;  // transaction, protocol, length

unsigned octet_in(std::string_view bytes, std::size_t at) {
  return static_cast<unsigned char>(bytes[at]);
}
unsigned word_in(std::string_view bytes, std::size_t at) {
  return octet_in(bytes, at) << 8U | octet_in(bytes, at + 1);
}
std::string word_text(unsigned word) {
  return {static_cast<char>(word >> 8U & 0xFFU), static_cast<char>(word & 0xFFU)};
}
std::string exception_reply(const std::string& data, int code) {
  return {static_cast<char>(octet_in(data, 0) | 0x80U), static_cast<char>(code)};
}

// How long a request of RTU is that begins so; 0: more bytes are needed; nullopt: none of ours begins so.
std::optional<std::size_t> rtu_request_length(std::string_view received, int unit) {
  if (octet_in(received, 0) != static_cast<unsigned>(unit)) return std::nullopt;
  if (received.size() < 2) return 0;
  const unsigned function = octet_in(received, 1);
  if (function >= 1 && function <= 6) return 8;
  if (function == 16) return received.size() < 7 ? 0 : 9 + octet_in(received, 6);
  return std::nullopt;
}
std::optional<std::size_t> tcp_request_length(std::string_view received) {
  if (received.size() < tcp_head) return 0;
  const std::size_t length = tcp_head + word_in(received, 4);
  const bool possible = word_in(received, 2) == 0 && length >= tcp_head + 2 && length <= longest_frame;
  return possible ? std::optional(length) : std::nullopt;
}

using Understood = std::variant<Request, Refusal>;

Understood read_in(const std::string& data) {
  constexpr Table tables[] = {Table::coil, Table::discrete, Table::holding, Table::input};
  const unsigned function = octet_in(data, 0);
  if (data.size() != 5) return illegal_value;
  ReadRequest read;
  read.first = RegisterAddress{tables[function - 1], static_cast<int>(word_in(data, 1))};
  read.count = static_cast<int>(word_in(data, 3));
  if (read.count < 1 || read.count > (function <= 2 ? most_bits : most_registers)) return illegal_value;
  return Request(read);
}

Understood write_in(const std::string& data) {
  const unsigned function = octet_in(data, 0);
  if (data.size() < 5) return illegal_value;
  WriteRequest write;
  write.first = RegisterAddress{function == 5 ? Table::coil : Table::holding, static_cast<int>(word_in(data, 1))};
  if (function != 16) {
    const unsigned value = word_in(data, 3);
    if (data.size() != 5 || (function == 5 && value != 0 && value != 0xFF00U)) return illegal_value;
    write.values = {static_cast<std::uint16_t>(function == 5 ? value >> 15U : value)};
    return Request(write);
  }
  const std::size_t count = word_in(data, 3);
  if (count < 1 || count > most_written || data.size() != 6 + 2 * count || octet_in(data, 5) != 2 * count)
    return illegal_value;
  write.function = WriteFunction::multiple;
  for (std::size_t i = 0; i < count; ++i) write.values.push_back(static_cast<std::uint16_t>(word_in(data, 6 + 2 * i)));
  return Request(write);
}

Understood request_in(const std::string& data) {
  const unsigned function = octet_in(data, 0);
  if (function >= 1 && function <= 4) return read_in(data);
  if (function == 5 || function == 6 || function == 16) return write_in(data);
  return illegal_function;
}

}  // namespace

std::string Server::framed(const std::string& data, unsigned transaction, int from_unit) const {
  const std::string body = static_cast<char>(from_unit) + data;
  if (framing == Framing::tcp)
    return word_text(transaction) + word_text(0) + word_text(static_cast<unsigned>(body.size())) + body;
  const unsigned check = dialect::crc16_modbus(body);
  return body + static_cast<char>(check & 0xFFU) + static_cast<char>(check >> 8U);
}

std::string Server::hear(std::string& received) {
  std::string out;
  while (!received.empty()) {
    const auto length = framing == Framing::tcp ? tcp_request_length(received) : rtu_request_length(received, unit);
    if (length && (*length == 0 || received.size() < *length)) break;
    const long before = requests;
    if (length) out += answer(std::string_view(received).substr(0, *length));
    received.erase(0, length && (requests != before || framing == Framing::tcp) ? *length : 1);
  }
  return out;
}

std::string Server::answer(std::string_view frame) {
  const bool tcp = framing == Framing::tcp;
  if (frame.size() < (tcp ? 8U : 4U)) return "";
  const unsigned transaction = tcp ? word_in(frame, 0) : 0;
  const std::string data(tcp ? frame.substr(7) : frame.substr(1, frame.size() - 3));
  const int asked = static_cast<int>(octet_in(frame, tcp ? 6 : 0));
  if (asked != unit || framed(data, transaction, asked) != frame) return "";
  ++requests;
  return framed(carry_out(data), transaction, unit);
}

std::string Server::carry_out(const std::string& data) {
  const Understood understood = request_in(data);
  if (const auto* exception = std::get_if<Refusal>(&understood)) return exception_reply(data, *exception);
  const Request& request = std::get<Request>(understood);
  if (const int code = refuses ? refuses(request) : 0; code != 0) return exception_reply(data, code);
  if (const auto* asked = std::get_if<ReadRequest>(&request)) return read(*asked, data);
  return write(std::get<WriteRequest>(request), data);
}

std::string Server::read(const ReadRequest& request, const std::string& data) {
  const Table table = request.first.table;
  const bool of_bits = table == Table::coil || table == Table::discrete;
  std::string values;
  for (int i = 0; i < request.count; ++i) {
    const int address = request.first.address + i;
    if (of_bits) {
      const auto& bits = table == Table::coil ? coils : discrete;
      if (!bits.contains(address)) return exception_reply(data, illegal_address);
      if (i % 8 == 0) values += '\0';
      if (bits.at(address)) values.back() = static_cast<char>(octet_in(values, values.size() - 1) | 1U << (i % 8));
    } else {
      const auto& words = table == Table::holding ? holding : input;
      if (!words.contains(address)) return exception_reply(data, illegal_address);
      values += word_text(words.at(address));
    }
  }
  ++reads;
  return std::string(1, data[0]) + static_cast<char>(values.size()) + values;
}

// All or nothing.
std::string Server::write(const WriteRequest& request, const std::string& data) {
  const int first = request.first.address, count = static_cast<int>(request.values.size());
  const bool coil = request.first.table == Table::coil;
  for (int address = first; address < first + count; ++address)
    if (coil ? !coils.contains(address) : !holding.contains(address)) return exception_reply(data, illegal_address);
  for (int i = 0; i < count; ++i) {
    const std::uint16_t value = request.values[static_cast<std::size_t>(i)];
    if (coil)
      coils[first + i] = value != 0;
    else
      holding[first + i] = value;
  }
  ++writes;
  if (written) written(*this, request);
  return data.substr(0, 5);
}

}  // namespace nightwell::modbus
