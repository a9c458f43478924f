#include "modbus/source.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "modbus/registers.hpp"

namespace nightwell::modbus {

using namespace instrument;
using dialect::Framing;
using dialect::RegisterMap;
using dialect::RegisterState;
using dialect::RegisterStep;

namespace {

constexpr double largest_target_c = 10'000;

Error source_error(Errc code, std::string detail) {
  return Error{code, "", std::move(detail), ""};
}

using Words = std::vector<std::uint16_t>;

// ---- requests ----

// A request and the number that its reply must carry (TCP).
struct Question {
  Request request;
  std::uint16_t transaction = 0;
  bool changes = false;
};

const std::vector<RegisterStep>& steps_of(const RegisterMap& map, Steps which) {
  return which == Steps::start_up ? map.start_up : map.park;
}

// By kind of question; steps have eight numbers for each list, their proofs eight more. None is what a server would
// answer with by mistake (0, or 1 of a library's first).
std::uint16_t step_number(Steps which, std::size_t index, std::uint16_t first) {
  return static_cast<std::uint16_t>(first + (which == Steps::park ? 8 : 0) + index % 8);
}

ReadRequest read_of(const dialect::RegisterNumber& number) {
  return ReadRequest{number.at, dialect::registers_of(number.type)};
}

struct QuestionOf {
  const dialect::Dialect& dialect;
  const RegisterMap& map;

  Result<Question> operator()(const AskIdentity&) const {
    return Question{ReadRequest{map.identity.at, map.identity.count}, 0x4E01, false};
  }
  Result<Question> operator()(const AskTarget&) const { return Question{read_of(map.target), 0x4E02, false}; }
  Result<Question> operator()(const AskTemperature&) const { return Question{read_of(map.temperature), 0x4E03, false}; }
  Result<Question> operator()(const AskOutput&) const { return Question{ReadRequest{map.output.at, 1}, 0x4E04, false}; }
  Result<Question> operator()(const SetTarget& set) const {
    if (!std::isfinite(set.t_c) || std::abs(set.t_c) > largest_target_c)
      return source_error(Errc::bad_input, "a target must be a finite temperature within 10,000 °C");
    if ((dialect.lowest_c && set.t_c < *dialect.lowest_c) || (dialect.highest_c && set.t_c > *dialect.highest_c))
      return source_error(Errc::bad_input, "the target lies beyond the limits that the dialect states");
    Result<Words> words = words_for(set.t_c, map.set_target.number);
    if (!words) return words.error();
    return Question{WriteRequest{map.set_target.number.at, std::move(*words), map.set_target.function}, 0x4E05, true};
  }
  Result<Question> operator()(const SetOutput& set) const {
    const auto value = static_cast<std::uint16_t>(set.on ? map.set_output.on : map.set_output.off);
    const auto number = static_cast<std::uint16_t>(set.on ? 0x4E06 : 0x4E07);
    return Question{WriteRequest{map.set_output.at, Words{value}, map.set_output.function}, number, true};
  }
  Result<Question> operator()(const RunStep& run) const {
    const RegisterStep* step = step_at(run.steps, run.index);
    if (step == nullptr) return no_step();
    return Question{WriteRequest{step->at, Words{static_cast<std::uint16_t>(step->value)}, step->function},
                    step_number(run.steps, run.index, 0x4E10), true};
  }
  Result<Question> operator()(const CheckStep& check) const {
    const RegisterStep* step = step_at(check.steps, check.index);
    if (step == nullptr) return no_step();
    return Question{ReadRequest{step->proof, 1}, step_number(check.steps, check.index, 0x4E20), false};
  }
  Result<Question> operator()(const AskError&) const { return no_queue(); }
  Result<Question> operator()(const ClearErrors&) const { return no_queue(); }

  [[nodiscard]] const RegisterStep* step_at(Steps which, std::size_t index) const {
    const auto& steps = steps_of(map, which);
    return index < steps.size() ? &steps[index] : nullptr;
  }
  static Error no_step() { return source_error(Errc::unexpected, "the dialect has no such step"); }
  static Error no_queue() { return source_error(Errc::bad_input, "Modbus has no error queue"); }
};

// ---- answers ----

// Two characters a register, the first in the high byte; filled up with NULs or blanks.
Result<Answer> text_identity(const Words& words) {
  std::string text;
  for (const std::uint16_t word : words) {
    text += static_cast<char>(word >> 8U);
    text += static_cast<char>(word & 0xFFU);
  }
  while (!text.empty() && (text.back() == '\0' || text.back() == ' ')) text.pop_back();
  const bool plain = std::all_of(text.begin(), text.end(), [](char c) { return c >= ' ' && c <= '~'; });
  if (text.empty() || !plain)
    return source_error(Errc::garbled, "the registers of its identity hold no text; is the first address one less?");
  Identity out;
  out.text = std::move(text);
  return Answer(std::move(out));
}

Result<Answer> identity_of(const Words& words, const dialect::RegisterIdentity& identity) {
  if (identity.numbers.empty()) return text_identity(words);
  Identity out;
  for (std::size_t i = 0; i < identity.numbers.size(); ++i) {
    const dialect::NamedRegister& one = identity.numbers[i];
    if (one.is && words[i] != *one.is)
      return source_error(Errc::wrong_identity, "its register \"" + one.name + "\" shows " + std::to_string(words[i]) +
                                                    " instead of " + std::to_string(*one.is) +
                                                    ": another instrument, or an address that is off by one");
    out.text += (i == 0 ? "" : ", ") + one.name + " " + std::to_string(words[i]);
  }
  return Answer(std::move(out));
}

Result<Answer> state_of(std::uint16_t word, const RegisterState& state) {
  const int shown = static_cast<int>(word & state.mask);
  if (std::find(state.on.begin(), state.on.end(), shown) != state.on.end()) return Answer(true);
  if (std::find(state.off.begin(), state.off.end(), shown) != state.off.end()) return Answer(false);
  return source_error(Errc::garbled, "its output register shows " + std::to_string(shown) + ": neither on nor off");
}

Result<Answer> number_answer(const Words& words, const dialect::RegisterNumber& number) {
  const Result<double> t_c = temperature_in(words, number);
  if (!t_c) return t_c.error();
  return Answer(*t_c);
}

struct AnswerFrom {
  const RegisterMap& map;
  const Words& words;

  Result<Answer> operator()(const AskIdentity&) const { return identity_of(words, map.identity); }
  Result<Answer> operator()(const AskTarget&) const { return number_answer(words, map.target); }
  Result<Answer> operator()(const AskTemperature&) const { return number_answer(words, map.temperature); }
  Result<Answer> operator()(const AskOutput&) const { return state_of(words.front(), map.output); }
  Result<Answer> operator()(const CheckStep& check) const {
    const auto& steps = steps_of(map, check.steps);
    const RegisterStep& step = steps[check.index];  // its question was made, so it exists
    const int shown = static_cast<int>(words.front() & step.mask);
    if (shown == step.shown) return Answer(Acknowledged());
    return source_error(Errc::mismatch,
                        "read back " + std::to_string(shown) + " instead of " + std::to_string(step.shown));
  }
  template <class Setting>
  Result<Answer> operator()(const Setting&) const {
    return Answer(Acknowledged());
  }
};

}  // namespace

Duration frame_silence(const Port& port) {
  const auto* serial = std::get_if<SerialPort>(&port);
  if (serial == nullptr || serial->baud <= 0) return Duration(0);
  return from_seconds(serial->baud > 19'200 ? 0.00175 : 3.5 * 11 / serial->baud);
}

ModbusSource::ModbusSource(std::shared_ptr<const dialect::Dialect> dialect, Duration silence)
    : dialect_(std::move(dialect)), silence_(silence) {}

LineSettings ModbusSource::line() const {
  LineSettings line = dialect_->line;
  line.reply_ends.clear();
  // A frame that was cut off ends by silence (RTU); the drain that follows is one.
  line.spoil.clear();
  line.error_queue = false;
  line.longest_reply = longest_frame;
  if (dialect_->registers->framing == Framing::rtu) {
    line.gap = std::max(line.gap, silence_);
    line.takes_turns = true;
  }
  return line;
}

Result<Message> ModbusSource::encode(const HeatSourceCommand& command) const {
  const RegisterMap& map = *dialect_->registers;
  const Result<Question> question = std::visit(QuestionOf{*dialect_, map}, command);
  if (!question) return question.error();
  Result<std::string> bytes = request_frame(Peer{map.framing, map.unit}, question->transaction, question->request);
  if (!bytes) return bytes.error();
  Message message;
  message.bytes = std::move(*bytes);
  message.answered = true;
  message.repeatable = !question->changes;
  message.reply.ends = ReplyShape::Ends::by_header;
  message.reply.length = map.framing == Framing::rtu ? rtu_reply_length : tcp_reply_length;
  return message;
}

Result<Answer> ModbusSource::decode(std::string_view reply, const HeatSourceCommand& command) const {
  const RegisterMap& map = *dialect_->registers;
  const Result<Question> question = std::visit(QuestionOf{*dialect_, map}, command);
  if (!question) return question.error();
  const Result<Words> words =
      reply_values(Peer{map.framing, map.unit}, question->transaction, question->request, reply);
  if (!words) return words.error();
  return std::visit(AnswerFrom{map, *words}, command);
}

std::size_t ModbusSource::steps(Steps which) const {
  return steps_of(*dialect_->registers, which).size();
}

std::optional<Proof<HeatSourceCommand>> ModbusSource::proof(const HeatSourceCommand& command) const {
  const RegisterMap& map = *dialect_->registers;
  if (const auto* run = std::get_if<RunStep>(&command))
    return Proof<HeatSourceCommand>{CheckStep{run->steps, run->index}, Acknowledged(), 0};
  if (const auto* set = std::get_if<SetOutput>(&command)) return Proof<HeatSourceCommand>{AskOutput(), set->on, 0};
  const auto* set = std::get_if<SetTarget>(&command);
  if (set == nullptr) return std::nullopt;
  // Both registers round; a hundredth of a step more for the arithmetic.
  const double steps = resolution_k(set->t_c, map.set_target.number) + resolution_k(set->t_c, map.target);
  return Proof<HeatSourceCommand>{AskTarget(), set->t_c, 0.51 * steps};
}

}  // namespace nightwell::modbus
