#include "conformance/line_mirror.hpp"

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>

#include "dialect/codec.hpp"

namespace nightwell::conformance {

using namespace dialect;  // NOLINT: this file is about its types only

namespace {

constexpr int usual_decimals = 9;  // where the dialect does not say: enough for microvolts in volt
constexpr std::size_t longest_command = 4096;
constexpr int ready_at_question = 3;

std::size_t literal_bytes(const Template& pattern) {
  std::size_t n = 0;
  for (const Part& part : pattern)
    if (const auto* text = std::get_if<std::string>(&part)) n += text->size();
  return n;
}

// A channel's value in the base unit: another one for each, and of a size that the quantity has.
double channel_value(std::string_view channel, Quantity quantity) {
  int number = 0;
  for (const char c : channel) number = (number * 31 + (c - '0')) % 9973;
  const double value = 1.5 + 2 * std::abs(number % 97);
  switch (quantity) {
    case Quantity::voltage:
    case Quantity::current: return value * 1e-3;
    case Quantity::resistance: return value + 100;
    case Quantity::temperature: return value + 20;
  }
  return value;
}

}  // namespace

LineMirror::LineMirror(std::shared_ptr<const Dialect> dialect) : dialect_(std::move(dialect)) {
  const double lowest = dialect_->lowest_c.value_or(-1000), highest = dialect_->highest_c.value_or(10'000);
  temperature_c_ = std::clamp(temperature_c_, lowest, highest);
  target_c_ = std::clamp(temperature_c_ + 7, lowest, highest);
}

std::string LineMirror::hear(std::string_view bytes) {
  received_ += bytes;
  const std::string& end = dialect_->command_end;
  if (end.empty()) return answer(std::exchange(received_, ""));
  std::string out;
  for (std::size_t at = received_.find(end); at != std::string::npos; at = received_.find(end)) {
    out += answer(std::string_view(received_).substr(0, at));
    received_.erase(0, at + end.size());
  }
  if (received_.size() > longest_command) received_.clear();
  return out;
}

std::string LineMirror::answer(std::string_view line) {
  const std::string echo = dialect_->line.echoes ? std::string(line) + dialect_->command_end : "";
  const auto text = without_checksum(line, dialect_->checksum);
  Understood heard;
  std::string reply;
  if (!text || understand(*text, heard) == nullptr) {
    reply = refusal();
  } else {
    const bool may_be_refused = name_of(heard.command) != "identity" && name_of(heard.command) != "error";
    if (too_early(heard) || (may_be_refused && refusing_.exchange(false))) {
      reply = refusal();
    } else {
      act(heard);
      reply = reply_to(heard);
    }
  }
  return echo + reply + dialect_->line.prompt;
}

const LineMirror::Understood* LineMirror::understand(std::string_view text, Understood& out) const {
  std::size_t best = 0;
  bool found = false;
  for (std::size_t i = 0; i < dialect_->commands.size(); ++i) {
    const Template& send = dialect_->commands[i].send;
    auto fields = match(send, text, dialect_->fields, dialect_->decimal_comma, "");
    // Questions may be alike but for what began them.
    const bool begun = found && literal_bytes(send) == best && is_begun(i);
    if (!fields || (found && !begun && literal_bytes(send) <= best)) continue;
    best = literal_bytes(send);
    out.command = i;
    out.fields = std::move(*fields);
    found = true;
  }
  return found ? &out : nullptr;
}

std::string_view LineMirror::name_of(std::size_t command) const {
  for (const auto& [name, index] : dialect_->names)
    if (index == command) return name;
  return "";
}

bool LineMirror::is_begun(std::size_t reading) const {
  const DialectCommand& command = dialect_->commands[reading];
  const std::optional<std::size_t> start = command.begin ? command.begin : command.choose;
  return start && start == set_last_;
}

// What the question is to be answered by, where it asks whether a reading is ready.
const WhenReady* LineMirror::asked_ready(const Understood& heard) const {
  const WhenReady* out = nullptr;
  for (std::size_t i = 0; i < dialect_->commands.size(); ++i) {
    const auto& when = dialect_->commands[i].when_ready;
    if (when && when->query == heard.command && (out == nullptr || is_begun(i))) out = &*when;
  }
  return out;
}

bool LineMirror::too_early(const Understood& heard) const {
  return questions_left_ > 0 && dialect_->commands[heard.command].when_ready.has_value();
}

std::string LineMirror::channel_in(const Understood& heard) const {
  for (const Taken& taken : heard.fields.taken)
    if (std::holds_alternative<ChannelField>(dialect_->fields[taken.field].kind)) return std::string(taken.text);
  return chosen_;
}

void LineMirror::act(const Understood& heard) {
  const std::string_view name = name_of(heard.command);
  if (name == "output_on") output_ = true;
  if (name == "output_off") output_ = false;
  chosen_ = channel_in(heard);
  if (dialect_->commands[heard.command].kind == CommandKind::safe_setting) {
    set_last_ = heard.command;
    questions_left_ = ready_at_question;
  }
  std::optional<double> number;
  for (const Taken& taken : heard.fields.taken)
    if (const auto* field = std::get_if<NumberField>(&dialect_->fields[taken.field].kind); field != nullptr)
      if (const auto value = number_of(taken.text, *field, dialect_->decimal_comma, std::nullopt); value)
        number = *value;
  if (name == "set_target" && number) target_c_ = *number;
  for (const auto* steps : {&dialect_->start_up, &dialect_->park})
    for (const DialectStep& step : *steps)
      if (step.command == heard.command && step.query && (!step.number || (number && *step.number == *number)))
        proofs_[*step.query] = step.is;
}

int LineMirror::integer_of(const Understood& heard) const {
  const WhenReady* when = asked_ready(heard);
  if (when == nullptr) return 0;
  const unsigned other = when->bits ^ (when->mask & (~when->mask + 1));  // another in the lowest bit that counts
  return static_cast<int>(questions_left_ > 0 ? other : when->bits);
}

double LineMirror::value_of(const Understood& heard) const {
  const std::string_view name = name_of(heard.command);
  if (name == "temperature") return temperature_c_;
  if (name == "target") return target_c_;
  constexpr std::string_view reading = "read_";
  if (name.starts_with(reading))
    if (const auto measured = quantity(name.substr(reading.size()))) return channel_value(channel_in(heard), *measured);
  return 0;
}

std::string LineMirror::reply_to(const Understood& heard) {
  const DialectCommand& command = dialect_->commands[heard.command];
  if (!command.reply) return "";
  if (const auto proof = proofs_.find(heard.command); proof != proofs_.end()) return lines(proof->second);
  using Ends = instrument::ReplyShape::Ends;
  if (const WhenReady* when = asked_ready(heard); when != nullptr && questions_left_ > 0)
    questions_left_ = can_say_not_yet(*when, heard) ? questions_left_ - 1 : 0;
  if (command.shape.ends != Ends::after_bytes) {
    std::string text = text_of(heard, usual_decimals);
    if (command.shape.ends == Ends::at_line) text += "\n" + command.shape.last_line;
    return lines(text);
  }
  Dialect unended = {};
  unended.checksum = dialect_->checksum;
  for (int decimals = 0; decimals <= usual_decimals + 6; ++decimals)
    if (std::string text = framed(text_of(heard, decimals), unended); text.size() == command.shape.count) return text;
  return "";
}

bool LineMirror::can_say_not_yet(const WhenReady& when, const Understood& heard) const {
  const std::string text = filled(*dialect_->commands[heard.command].reply, heard, usual_decimals);
  return std::find(when.is.begin(), when.is.end(), text) == when.is.end();
}

// A reply as the dialect describes it; of a question whether a reading is ready, the words for that.
std::string LineMirror::text_of(const Understood& heard, int decimals) const {
  std::string text = filled(*dialect_->commands[heard.command].reply, heard, decimals);
  const WhenReady* when = asked_ready(heard);
  return when == nullptr || when->is.empty() || questions_left_ > 0 ? text : when->is.front();
}

std::string LineMirror::filled(const Template& pattern, const Understood& heard, int decimals) const {
  std::string out;
  std::optional<Unit> unit;  // where the template says it in a field of its own
  for (const Part& part : pattern)
    if (const auto* field = std::get_if<std::size_t>(&part))
      if (const auto* units = std::get_if<UnitField>(&dialect_->fields[*field].kind); units != nullptr)
        unit = units->words.front().second;
  for (const Part& part : pattern) {
    if (const auto* literal = std::get_if<std::string>(&part)) {
      out += *literal;
      continue;
    }
    const FieldKind& kind = dialect_->fields[std::get<std::size_t>(part)].kind;
    if (const auto* number = std::get_if<NumberField>(&kind); number != nullptr) {
      NumberField field = *number;
      if (!field.unit) field.unit = unit;
      if (field.decimals < 0) field.decimals = decimals;
      out += number_text(value_of(heard), field, dialect_->decimal_comma).ok()
                 ? *number_text(value_of(heard), field, dialect_->decimal_comma)
                 : "";
    } else if (const auto* units = std::get_if<UnitField>(&kind); units != nullptr) {
      out += units->words.front().first;
    } else if (const auto* state = std::get_if<StateField>(&kind); state != nullptr) {
      const auto word =
          std::find_if(state->words.begin(), state->words.end(), [this](const auto& w) { return w.second == output_; });
      if (word != state->words.end()) out += word->first;
    } else if (std::holds_alternative<ChannelField>(kind)) {
      out += channel_in(heard);
    } else if (std::holds_alternative<IntegerField>(kind)) {
      out += std::to_string(integer_of(heard));
    } else {
      out += "mirror";
    }
  }
  return out;
}

// Checksum and end for every line.
std::string LineMirror::lines(std::string_view text) const {
  Dialect ending = {};
  ending.checksum = dialect_->checksum;
  ending.command_end = dialect_->line.reply_ends;
  std::string out;
  for (;;) {
    const std::size_t end = std::min(text.find('\n'), text.size());
    out += framed(std::string(text.substr(0, end)), ending);
    if (end == text.size()) return out;
    text.remove_prefix(end + 1);
  }
}

std::string LineMirror::refusal() const {
  if (dialect_->refused.empty()) return "";
  return lines(filled(dialect_->refused.front(), Understood(), usual_decimals));
}

}  // namespace nightwell::conformance
