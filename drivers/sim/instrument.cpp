#include "drivers/sim/instrument.hpp"

namespace nightwell::sim {
namespace {

using scpi::Code;
using scpi::Unit;

// *ESE and *SRE: 0..255.
Answer set_mask(const Unit& unit, int& mask) {
  if (const Code code = count_parameters(unit, 1, 1); code != Code::none) return code;
  const auto value = scpi::number(unit.parameters.front());
  if (const Code* code = std::get_if<Code>(&value)) return *code;
  const double number = std::get<double>(value);
  if (number < 0 || number > 255) return Code::out_of_range;
  mask = static_cast<int>(number + 0.5);
  return {};
}

}  // namespace

Code count_parameters(const Unit& unit, std::size_t fewest, std::size_t most) {
  if (unit.parameters.size() < fewest) return Code::missing_parameter;
  return unit.parameters.size() > most ? Code::parameter_not_allowed : Code::none;
}

Instrument::Instrument(std::string identity, double reading_s) : identity_(std::move(identity)), reading_s_(reading_s) {
  add_common_commands();
}

void Instrument::add(std::string_view header, Handler handler) {
  commands_.emplace_back(scpi::Header(header), std::move(handler));
}

void Instrument::add_common_commands() {
  // A command without parameters: does something and says what it returns.
  const auto plain = [this](std::string_view header, std::function<Answer(double)> act) {
    add(header, [act = std::move(act)](const Unit& unit, double now_s) -> Answer {
      if (const Code code = count_parameters(unit, 0, 0); code != Code::none) return code;
      return act(now_s);
    });
  };
  plain("*IDN?", [this](double) { return identity_; });
  plain("*CLS", [this](double) { return status_.clear(), Answer{}; });
  plain("*RST", [this](double now_s) { return reset(now_s), Answer{}; });
  plain("*TST?", [](double) { return std::string("0"); });
  plain("*WAI", [](double) { return Answer{}; });  // no command of ours overlaps the next one
  plain("*OPC", [this](double) { return status_.operation_complete(), Answer{}; });
  plain("*OPC?", [](double) { return std::string("1"); });
  plain("*ESR?", [this](double) { return std::to_string(status_.take_event()); });
  plain("*STB?", [this](double) { return std::to_string(status_.byte()); });
  plain("*ESE?", [this](double) { return std::to_string(status_.event_enable); });
  plain("*SRE?", [this](double) { return std::to_string(status_.request_enable); });
  plain("SYSTem:ERRor[:NEXT]?", [this](double) { return status_.next_error(); });
  plain("SYSTem:VERSion?", [](double) { return std::string("1999.0"); });
  add("*ESE", [this](const Unit& unit, double) { return set_mask(unit, status_.event_enable); });
  add("*SRE", [this](const Unit& unit, double) { return set_mask(unit, status_.request_enable); });
}

const Instrument::Handler* Instrument::find(const std::vector<std::string>& nodes, bool query) const {
  for (const auto& [header, handler] : commands_)
    if (header.matches(nodes, query)) return &handler;
  return nullptr;
}

void Instrument::begin(const std::string& line, double now_s) {
  reply_.clear();
  running_ = Running{scpi::parse(line), 0, {}};
  run(now_s);
}

void Instrument::run(double now_s) {
  while (!measuring_ && running_.at < running_.units.size())
    if (!run_unit(now_s)) running_.at = running_.units.size();
}

// One unit. False: what is left of the message is dropped, as after every command error.
bool Instrument::run_unit(double now_s) {
  const auto& next = running_.units[running_.at++];
  if (const Code* code = std::get_if<Code>(&next)) return status_.raise(*code), false;
  const Unit& unit = std::get<Unit>(next);
  std::vector<std::string> nodes = scpi::resolve(unit, running_.path);
  const Handler* handler = find(nodes, unit.query);
  if (handler == nullptr) return status_.raise(Code::undefined_header), false;
  if (!unit.common()) {
    nodes.pop_back();
    running_.path = std::move(nodes);
  }
  Answer answer = (*handler)(unit, now_s);
  if (const Code* code = std::get_if<Code>(&answer)) {
    status_.raise(*code);
    return static_cast<int>(*code) <= -200;
  }
  if (const std::string* text = std::get_if<std::string>(&answer)) respond(*text);
  if (Measurement* what = std::get_if<Measurement>(&answer)) {
    measuring_ = Measuring{std::move(*what), 0, {}};
    due_s_ = now_s + reading_s_;
    while (reading_s_ <= 0 && measuring_) proceed();
  }
  return true;
}

void Instrument::proceed() {
  Measuring& m = *measuring_;
  if (m.at > 0) m.text += ',';
  m.text += scpi::format(measure(m.what.quantity, m.what.channels[m.at], due_s_));
  if (++m.at < m.what.channels.size()) {
    due_s_ += reading_s_;
    return;
  }
  respond(m.text);
  measuring_.reset();
  if (reading_s_ > 0) run(due_s_);
}

void Instrument::respond(const std::string& text) {
  if (!reply_.empty()) reply_ += ';';
  reply_ += text;
}

void Instrument::power_cycle(const FaultOrder& order, double now_s) {
  measuring_.reset();
  running_ = Running{};
  reply_.clear();
  status_.power_on();
  power_on(order, now_s);
}

}  // namespace nightwell::sim
