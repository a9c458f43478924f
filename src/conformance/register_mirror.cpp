#include "conformance/register_mirror.hpp"

#include <algorithm>
#include <utility>
#include <variant>
#include <vector>

#include "modbus/registers.hpp"

namespace nightwell::conformance {

using dialect::RegisterAddress;
using dialect::RegisterMap;
using dialect::RegisterNumber;
using dialect::RegisterStep;
using dialect::Table;

namespace {

constexpr int illegal_data_value = 3;
constexpr unsigned whole_register = 0xFFFF;
constexpr int first_of_identity = 100;  // what its registers count from, where the dialect does not say
constexpr std::string_view identity_text = "MIRROR";

using Words = std::vector<std::uint16_t>;

bool is_one_bit(Table table) {
  return table == Table::coil || table == Table::discrete;
}

// The bits of `mask` become those of `value`; the register is there from now on.
void put(modbus::Server& server, RegisterAddress at, unsigned mask, unsigned value) {
  if (is_one_bit(at.table)) {
    (at.table == Table::coil ? server.coils : server.discrete)[at.address] = (value & 1U) != 0;
    return;
  }
  std::uint16_t& word = (at.table == Table::holding ? server.holding : server.input)[at.address];
  word = static_cast<std::uint16_t>((word & ~mask) | (value & mask));
}

void put_words(modbus::Server& server, RegisterAddress at, const Words& words) {
  for (const std::uint16_t word : words) {
    put(server, at, whole_register, word);
    ++at.address;
  }
}

void put_number(modbus::Server& server, const RegisterNumber& number, double t_c) {
  const auto words = modbus::words_for(t_c, number);
  put_words(server, number.at, words ? *words : Words(static_cast<std::size_t>(dialect::registers_of(number.type)), 0));
}

// Whether the write reaches any of `count` registers from `first`.
bool reaches(const modbus::WriteRequest& write, RegisterAddress first, int count) {
  const int begin = write.first.address, end = begin + static_cast<int>(write.values.size());
  return write.first.table == first.table && begin < first.address + count && first.address < end;
}

bool writes(const modbus::WriteRequest& write, RegisterAddress at, int value) {
  return write.first == at && write.values.size() == 1 && write.values.front() == value;
}

}  // namespace

RegisterMirror::RegisterMirror(std::shared_ptr<const dialect::Dialect> dialect)
    : dialect_(std::move(dialect)), server_(dialect_->registers->framing, dialect_->registers->unit) {
  server_.refuses = [this](const modbus::Request& request) { return exception_to(request); };
  server_.written = [this](modbus::Server&, const modbus::WriteRequest& write) { follow(write); };
  come_up();
}

std::string RegisterMirror::hear(std::string_view bytes) {
  received_ += bytes;
  const std::string echo(dialect_->line.echoes ? bytes : std::string_view());
  return echo + server_.hear(received_);
}

// What proves a step does not yet show it: a park that was never taken is not proved by accident. The start-up stands behind the
// park, so that it too must be taken first; and what everybody reads stands last.
void RegisterMirror::come_up() {
  const RegisterMap& map = *dialect_->registers;
  for (const auto* steps : {&map.park, &map.start_up})
    for (const RegisterStep& step : *steps) {
      put(server_, step.at, whole_register, static_cast<unsigned>(step.value) ^ 1U);
      if (step.proof != step.at) put(server_, step.proof, step.mask, ~static_cast<unsigned>(step.shown));
    }
  const double lowest_c = dialect_->lowest_c.value_or(-1000), highest_c = dialect_->highest_c.value_or(10'000);
  const double t_c = std::clamp(23.0, lowest_c, highest_c), target_c = std::clamp(t_c + 7, lowest_c, highest_c);
  put_number(server_, map.set_target.number, target_c);
  show_target(target_c);
  put(server_, map.set_output.at, whole_register, static_cast<unsigned>(map.set_output.off));
  show_output(false);
  put_number(server_, map.temperature, t_c);
  show_identity();
}

void RegisterMirror::show_identity() {
  const dialect::RegisterIdentity& identity = dialect_->registers->identity;
  Words words;
  for (std::size_t i = 0; i < identity.numbers.size(); ++i)
    words.push_back(
        static_cast<std::uint16_t>(identity.numbers[i].is.value_or(first_of_identity + static_cast<int>(i))));
  if (identity.numbers.empty()) {
    std::string text(identity_text);
    text.resize(2 * static_cast<std::size_t>(identity.count), ' ');
    for (std::size_t i = 0; i < text.size(); i += 2)
      words.push_back(static_cast<std::uint16_t>(text[i] << 8 | text[i + 1]));
  }
  put_words(server_, identity.at, words);
}

void RegisterMirror::show_target(double t_c) {
  put_number(server_, dialect_->registers->target, t_c);
}

void RegisterMirror::show_output(bool on) {
  const dialect::RegisterState& output = dialect_->registers->output;
  put(server_, output.at, output.mask, static_cast<unsigned>(on ? output.on.front() : output.off.front()));
}

void RegisterMirror::follow(const modbus::WriteRequest& write) {
  const RegisterMap& map = *dialect_->registers;
  const RegisterNumber& target = map.set_target.number;
  const bool whole_target =
      write.first == target.at && static_cast<int>(write.values.size()) == dialect::registers_of(target.type);
  if (whole_target && !reaches(write, map.target.at, dialect::registers_of(map.target.type)))
    if (const auto t_c = modbus::temperature_in(write.values, target)) show_target(*t_c);
  if (!reaches(write, map.output.at, 1))
    for (const bool on : {false, true})
      if (writes(write, map.set_output.at, on ? map.set_output.on : map.set_output.off)) show_output(on);
  for (const auto* steps : {&map.start_up, &map.park})
    for (const RegisterStep& step : *steps)
      if (writes(write, step.at, step.value) && !reaches(write, step.proof, 1))
        put(server_, step.proof, step.mask, static_cast<unsigned>(step.shown));
}

int RegisterMirror::exception_to(const modbus::Request& request) {
  const auto* read = std::get_if<modbus::ReadRequest>(&request);
  const bool of_identity = read != nullptr && read->first == dialect_->registers->identity.at;
  return !of_identity && refusing_.exchange(false) ? illegal_data_value : 0;
}

}  // namespace nightwell::conformance
