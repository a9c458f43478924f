#include "dialect/codec.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <utility>

#include "dialect/checksum.hpp"
#include "dialect/template.hpp"
#include "nightwell/instrument/scpi.hpp"

namespace nightwell::dialect {

using namespace instrument;

namespace {

constexpr double absolute_zero_c = -273.15;
constexpr double largest_target_c = 10'000;

Error codec_error(Errc code, std::string detail) {
  return Error{code, "", std::move(detail), ""};
}

Error not_expected(std::string_view reply) {
  return codec_error(Errc::garbled, "\"" + printable(reply) + "\" is not the reply that the dialect describes");
}

// ---- checksums ----

std::string upper_hex(unsigned value, int digits) {
  constexpr std::string_view hex = "0123456789ABCDEF";
  std::string out;
  for (int shift = 4 * (digits - 1); shift >= 0; shift -= 4) out += hex[(value >> static_cast<unsigned>(shift)) & 0xFU];
  return out;
}

std::string checksum_digits(std::string_view covered, const Checksum& checksum) {
  covered.remove_prefix(std::min(checksum.skip, covered.size()));
  if (checksum.kind == ChecksumKind::xor_sum) return upper_hex(xor_sum(covered), 2);
  if (checksum.kind == ChecksumKind::lrc) return upper_hex(lrc(covered), 2);
  const unsigned crc = crc16_modbus(covered);
  return upper_hex(checksum.low_first ? (crc >> 8U) | ((crc & 0xFFU) << 8U) : crc, 4);
}

bool same_hex(std::string_view a, std::string_view b) {
  const auto upper = [](char c) { return c >= 'a' && c <= 'f' ? static_cast<char>(c - 'a' + 'A') : c; };
  if (a.size() != b.size()) return false;
  for (std::size_t i = 0; i < a.size(); ++i)
    if (upper(a[i]) != upper(b[i])) return false;
  return true;
}

// Every line of a reply without its checksum.
std::optional<std::string> plain_reply(std::string_view reply, const Checksum& checksum) {
  if (checksum.kind == ChecksumKind::none) return std::string(reply);
  std::string out;
  for (;;) {
    const std::size_t end = std::min(reply.find('\n'), reply.size());
    const auto line = without_checksum(reply.substr(0, end), checksum);
    if (!line) return std::nullopt;
    out += *line;
    if (end == reply.size()) return out;
    out += '\n';
    reply.remove_prefix(end + 1);
  }
}

// ---- one command ----

bool answers(const DialectCommand& command, std::string_view plain, const Dialect& dialect) {
  return command.reply && match(*command.reply, plain, dialect.fields, dialect.decimal_comma, "",
                                command.shape.ends == ReplyShape::Ends::at_line);
}

bool is_refusal(std::string_view plain, const Dialect& dialect) {
  for (const Template& refusal : dialect.refused)
    if (match(refusal, plain, dialect.fields, dialect.decimal_comma, "", true)) return true;
  return false;
}

Result<Message> message_of(const Dialect& dialect, const DialectCommand* command, const Values& values) {
  if (command == nullptr) return codec_error(Errc::bad_input, "the dialect has no such command");
  Result<std::string> text = fill_in(command->send, dialect.fields, dialect.decimal_comma, values);
  if (!text) return text.error();
  Message message;
  message.bytes = framed(std::move(*text), dialect);
  message.answered = command->reply.has_value();
  message.repeatable = command->kind == CommandKind::query;
  message.reply = command->shape;
  message.within = command->within;
  return message;
}

// The reply as it is without checksums, and what its fields took.
struct Heard {
  std::shared_ptr<const std::string> kept;  // `fields` points into it
  Match fields;
  [[nodiscard]] const std::string& plain() const { return *kept; }
};

Result<Heard> hear(const Dialect& dialect, const DialectCommand* command, std::string_view reply,
                   std::string_view channel = "") {
  if (command == nullptr || !command->reply) return codec_error(Errc::unexpected, "this command has no answer");
  auto plain = plain_reply(reply, dialect.checksum);
  if (!plain) return codec_error(Errc::garbled, "\"" + printable(reply) + "\" has a wrong checksum, or none");
  if (is_refusal(*plain, dialect))
    return codec_error(Errc::refused, "the instrument says \"" + printable(*plain) + "\"");
  Heard heard;
  heard.kept = std::make_shared<const std::string>(std::move(*plain));
  const auto fields = match(*command->reply, heard.plain(), dialect.fields, dialect.decimal_comma, channel,
                            command->shape.ends == ReplyShape::Ends::at_line);
  if (!fields) return not_expected(reply);
  heard.fields = *fields;
  return heard;
}

Result<double> heard_number(const Dialect& dialect, const DialectCommand& command, const Heard& heard) {
  const Taken* taken = heard.fields.of(*command.value);
  if (taken == nullptr) return not_expected(heard.plain());
  if (taken->condition) return codec_error(*taken->condition, "the instrument says \"" + printable(taken->text) + "\"");
  std::optional<Unit> unit;
  for (const Taken& other : heard.fields.taken) {
    const auto* units = std::get_if<UnitField>(&dialect.fields[other.field].kind);
    if (units == nullptr) continue;
    for (const auto& [word, meaning] : units->words)
      if (word == other.text) unit = meaning;
  }
  return number_of(taken->text, std::get<NumberField>(dialect.fields[*command.value].kind), dialect.decimal_comma,
                   unit);
}

Result<Answer> number_answer(const Dialect& dialect, const DialectCommand* command, std::string_view reply,
                             bool temperature, std::string_view channel = "") {
  const Result<Heard> heard = hear(dialect, command, reply, channel);
  if (!heard) return heard.error();
  const Result<double> value = heard_number(dialect, *command, *heard);
  if (!value) return value.error();
  if (temperature && *value < absolute_zero_c)
    return codec_error(Errc::out_of_range, "\"" + printable(reply) + "\" is below absolute zero");
  return Answer(*value);
}

Result<Answer> state_answer(const Dialect& dialect, const DialectCommand* command, std::string_view reply) {
  const Result<Heard> heard = hear(dialect, command, reply);
  if (!heard) return heard.error();
  const Taken* taken = heard->fields.of(*command->value);
  if (taken != nullptr)
    for (const auto& [word, on] : std::get<StateField>(dialect.fields[*command->value].kind).words)
      if (word == taken->text) return Answer(on);
  return not_expected(reply);
}

Result<Answer> identity_answer(const Dialect& dialect, std::string_view reply) {
  const DialectCommand* identity = dialect.find("identity");
  const Result<Heard> heard = hear(dialect, identity, reply);
  if (!heard) return heard.error();
  for (const auto& [name, index] : dialect.names) {
    const DialectCommand& other = dialect.commands[index];
    if (&other != identity && answers(other, heard->plain(), dialect))
      return codec_error(Errc::garbled, "\"" + printable(reply) + "\" could also be the answer to " + name +
                                            ": an identity must be told from every other answer");
  }
  Identity out;
  out.text = heard->plain();
  return Answer(std::move(out));
}

std::optional<int> integer_of(std::string_view digits) {
  int value = 0;
  if (digits.starts_with('+')) digits.remove_prefix(1);
  const auto [end, problem] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
  if (problem != std::errc{} || end != digits.data() + digits.size()) return std::nullopt;
  return value;
}

Result<Answer> error_answer(const Dialect& dialect, std::string_view reply) {
  const DialectCommand* command = dialect.find("error");
  const Result<Heard> heard = hear(dialect, command, reply);
  if (!heard) return heard.error();
  const Taken* number = heard->fields.of(*command->value);
  const auto value = number == nullptr ? std::nullopt : integer_of(number->text);
  if (!value) return not_expected(reply);
  QueueEntry entry;
  entry.number = static_cast<int>(static_cast<unsigned>(*value) & command->mask);
  const Taken* text = command->text ? heard->fields.of(*command->text) : nullptr;
  entry.text = text == nullptr ? heard->plain() : std::string(text->text);
  return Answer(std::move(entry));
}

Result<Answer> acknowledgement(const Dialect& dialect, const DialectCommand* command, std::string_view reply,
                               std::string_view channel = "") {
  const Result<Heard> heard = hear(dialect, command, reply, channel);
  if (!heard) return heard.error();
  return Answer(Acknowledged());
}

// ---- steps ----

const std::vector<DialectStep>& steps_of(const Dialect& dialect, Steps which) {
  return which == Steps::start_up ? dialect.start_up : dialect.park;
}

const DialectStep* step_at(const Dialect& dialect, Steps which, std::size_t index) {
  const auto& steps = steps_of(dialect, which);
  return index < steps.size() ? &steps[index] : nullptr;
}

Result<Message> step_message(const Dialect& dialect, const RunStep& run) {
  const DialectStep* step = step_at(dialect, run.steps, run.index);
  if (step == nullptr) return codec_error(Errc::unexpected, "the dialect has no such step");
  Values values;
  values.number = step->number;
  return message_of(dialect, &dialect.commands[step->command], values);
}

Result<Message> check_message(const Dialect& dialect, const CheckStep& check) {
  const DialectStep* step = step_at(dialect, check.steps, check.index);
  if (step == nullptr || !step->query) return codec_error(Errc::unexpected, "the step has no question");
  return message_of(dialect, &dialect.commands[*step->query], Values());
}

Result<Answer> step_answer(const Dialect& dialect, const RunStep& run, std::string_view reply) {
  const DialectStep* step = step_at(dialect, run.steps, run.index);
  return acknowledgement(dialect, step ? &dialect.commands[step->command] : nullptr, reply);
}

Result<Answer> check_answer(const Dialect& dialect, const CheckStep& check, std::string_view reply) {
  const DialectStep* step = step_at(dialect, check.steps, check.index);
  const Result<Heard> heard = hear(dialect, step && step->query ? &dialect.commands[*step->query] : nullptr, reply);
  if (!heard) return heard.error();
  if (heard->plain() == step->is) return Answer(Acknowledged());
  return codec_error(Errc::mismatch, "read back \"" + printable(heard->plain()) + "\" instead of \"" + step->is + "\"");
}

template <class Command>
std::optional<Proof<Command>> step_proof(const Dialect& dialect, const Command& command) {
  const auto* run = std::get_if<RunStep>(&command);
  if (run == nullptr) return std::nullopt;
  const DialectStep* step = step_at(dialect, run->steps, run->index);
  if (step == nullptr || !step->query) return std::nullopt;
  return Proof<Command>{CheckStep{run->steps, run->index}, Acknowledged(), 0};
}

LineSettings line_of(const std::shared_ptr<const Dialect>& dialect) {
  LineSettings line = dialect->line;
  if (!dialect->set_aside.empty())
    line.set_aside = [dialect](std::string_view heard) {
      for (const Template& pattern : dialect->set_aside)
        if (match(pattern, heard, dialect->fields, dialect->decimal_comma, "")) return true;
      return false;
    };
  return line;
}

// ---- what both roles say alike ----

struct CommonEncoder {
  const Dialect& dialect;
  Result<Message> operator()(const AskIdentity&) const {
    return message_of(dialect, dialect.find("identity"), Values());
  }
  Result<Message> operator()(const AskError&) const { return message_of(dialect, dialect.find("error"), Values()); }
  Result<Message> operator()(const ClearErrors&) const {
    return message_of(dialect, dialect.find("clear_errors"), Values());
  }
  Result<Message> operator()(const RunStep& run) const { return step_message(dialect, run); }
  Result<Message> operator()(const CheckStep& check) const { return check_message(dialect, check); }
};

struct CommonDecoder {
  const Dialect& dialect;
  std::string_view reply;
  Result<Answer> operator()(const AskIdentity&) const { return identity_answer(dialect, reply); }
  Result<Answer> operator()(const AskError&) const { return error_answer(dialect, reply); }
  Result<Answer> operator()(const ClearErrors&) const {
    return acknowledgement(dialect, dialect.find("clear_errors"), reply);
  }
  Result<Answer> operator()(const RunStep& run) const { return step_answer(dialect, run, reply); }
  Result<Answer> operator()(const CheckStep& check) const { return check_answer(dialect, check, reply); }
};

// ---- scanners ----

const DialectCommand* of_quantity(const Dialect& dialect, const char* verb, Quantity quantity) {
  return dialect.find(verb + std::string(name(quantity)));
}

// The channel field of a command, as the instrument writes the address; empty where the command has none.
Result<std::string> channel_text(const Dialect& dialect, const DialectCommand& command, int address) {
  for (const Template* pattern : {&command.send, command.reply ? &*command.reply : &command.send})
    for (const Part& part : *pattern) {
      const auto* field = std::get_if<std::size_t>(&part);
      const auto* channel = field ? std::get_if<ChannelField>(&dialect.fields[*field].kind) : nullptr;
      if (channel == nullptr) continue;
      const auto text = channel->text(address);
      if (text) return *text;
      return codec_error(Errc::bad_input, "the dialect has no channel " + std::to_string(address));
    }
  return std::string();
}

Result<Message> channel_message(const Dialect& dialect, const DialectCommand* command, const ChannelSetup& channel) {
  if (command == nullptr)
    return codec_error(Errc::bad_input, "the dialect has no command for " + std::string(name(channel.measures)));
  const Result<std::string> address = channel_text(dialect, *command, channel.address);
  if (!address) return address.error();
  Values values;
  values.channel = *address;
  return message_of(dialect, command, values);
}

// What belongs to the reading of a channel; nullptr where it has no such command.
const DialectCommand* reading(const Dialect& dialect, const ChannelSetup& channel) {
  return of_quantity(dialect, "read_", channel.measures);
}
const DialectCommand* choosing(const Dialect& dialect, const ChannelSetup& channel) {
  const DialectCommand* read = reading(dialect, channel);
  return read != nullptr && read->choose ? &dialect.commands[*read->choose] : nullptr;
}
const DialectCommand* beginning(const Dialect& dialect, const ChannelSetup& channel) {
  const DialectCommand* read = reading(dialect, channel);
  return read != nullptr && read->begin ? &dialect.commands[*read->begin] : nullptr;
}
const DialectCommand* asking_ready(const Dialect& dialect, const ChannelSetup& channel) {
  const DialectCommand* read = reading(dialect, channel);
  return read != nullptr && read->when_ready ? &dialect.commands[read->when_ready->query] : nullptr;
}

bool says_ready(const WhenReady& when, const DialectCommand& query, const Heard& heard) {
  if (!when.is.empty()) return std::find(when.is.begin(), when.is.end(), heard.plain()) != when.is.end();
  const Taken* number = heard.fields.of(*query.value);
  const auto value = number == nullptr ? std::nullopt : integer_of(number->text);
  return value && (static_cast<unsigned>(*value) & when.mask) == when.bits;
}

struct ScannerEncoder : CommonEncoder {
  using CommonEncoder::operator();
  Result<Message> operator()(const ChooseChannel& choose) const {
    return channel_message(dialect, choosing(dialect, choose.channel), choose.channel);
  }
  Result<Message> operator()(const BeginReading& begin) const {
    return channel_message(dialect, beginning(dialect, begin.channel), begin.channel);
  }
  Result<Message> operator()(const AskReady& ask) const {
    return channel_message(dialect, asking_ready(dialect, ask.channel), ask.channel);
  }
  Result<Message> operator()(const ReadChannel& read) const {
    return channel_message(dialect, reading(dialect, read.channel), read.channel);
  }
  Result<Message> operator()(const ConfigureChannel& configure) const {
    const Result<Message> possible = (*this)(ReadChannel{configure.channel});
    if (!possible) return possible.error();
    for (const DialectCommand* needed : {choosing(dialect, configure.channel), beginning(dialect, configure.channel)}) {
      if (needed == nullptr) continue;
      const Result<std::string> known = channel_text(dialect, *needed, configure.channel.address);
      if (!known) return known.error();
    }
    const DialectCommand* command = of_quantity(dialect, "configure_", configure.channel.measures);
    return command == nullptr ? Result<Message>(Message()) : channel_message(dialect, command, configure.channel);
  }
};

struct ScannerDecoder : CommonDecoder {
  using CommonDecoder::operator();
  Result<Answer> operator()(const ChooseChannel& choose) const {
    return setting_answer(choosing(dialect, choose.channel), choose.channel);
  }
  Result<Answer> operator()(const BeginReading& begin) const {
    return setting_answer(beginning(dialect, begin.channel), begin.channel);
  }
  Result<Answer> operator()(const AskReady& ask) const {
    const DialectCommand* command = asking_ready(dialect, ask.channel);
    if (command == nullptr) return codec_error(Errc::unexpected, "this command has no answer");
    const Result<std::string> address = channel_text(dialect, *command, ask.channel.address);
    if (!address) return address.error();
    const Result<Heard> heard = hear(dialect, command, reply, *address);
    if (!heard) return heard.error();
    return Answer(says_ready(*reading(dialect, ask.channel)->when_ready, *command, *heard));
  }
  Result<Answer> operator()(const ReadChannel& read) const {
    const DialectCommand* command = reading(dialect, read.channel);
    if (command == nullptr) return codec_error(Errc::bad_input, "the dialect has no such command");
    const Result<std::string> address = channel_text(dialect, *command, read.channel.address);
    if (!address) return address.error();
    return number_answer(dialect, command, reply, read.channel.measures == Quantity::temperature, *address);
  }
  Result<Answer> operator()(const ConfigureChannel& configure) const {
    return setting_answer(of_quantity(dialect, "configure_", configure.channel.measures), configure.channel);
  }
  [[nodiscard]] Result<Answer> setting_answer(const DialectCommand* command, const ChannelSetup& channel) const {
    if (command == nullptr) return codec_error(Errc::unexpected, "this command has no answer");
    const Result<std::string> address = channel_text(dialect, *command, channel.address);
    if (!address) return address.error();
    return acknowledgement(dialect, command, reply, *address);
  }
};

// ---- heat sources ----

const NumberField* number_in(const Template& pattern, const std::vector<Field>& fields) {
  for (const Part& part : pattern)
    if (const auto* field = std::get_if<std::size_t>(&part))
      if (const auto* number = std::get_if<NumberField>(&fields[*field].kind)) return number;
  return nullptr;
}

const char* output_command(bool on) {
  return on ? "output_on" : "output_off";
}

struct SourceEncoder : CommonEncoder {
  using CommonEncoder::operator();
  Result<Message> operator()(const SetTarget& set) const {
    const double t_c = set.t_c;
    if (!std::isfinite(t_c) || std::abs(t_c) > largest_target_c)
      return codec_error(Errc::bad_input, "a target must be a finite temperature within 10,000 °C");
    if ((dialect.lowest_c && t_c < *dialect.lowest_c) || (dialect.highest_c && t_c > *dialect.highest_c))
      return codec_error(Errc::bad_input, "the target lies beyond the limits that the dialect states");
    Values values;
    values.number = t_c;
    return message_of(dialect, dialect.find("set_target"), values);
  }
  Result<Message> operator()(const AskTarget&) const { return message_of(dialect, dialect.find("target"), Values()); }
  Result<Message> operator()(const AskTemperature&) const {
    return message_of(dialect, dialect.find("temperature"), Values());
  }
  Result<Message> operator()(const AskOutput&) const { return message_of(dialect, dialect.find("output"), Values()); }
  Result<Message> operator()(const SetOutput& set) const {
    return message_of(dialect, dialect.find(output_command(set.on)), Values());
  }
};

struct SourceDecoder : CommonDecoder {
  using CommonDecoder::operator();
  Result<Answer> operator()(const AskTarget&) const {
    return number_answer(dialect, dialect.find("target"), reply, true);
  }
  Result<Answer> operator()(const AskTemperature&) const {
    return number_answer(dialect, dialect.find("temperature"), reply, true);
  }
  Result<Answer> operator()(const AskOutput&) const { return state_answer(dialect, dialect.find("output"), reply); }
  Result<Answer> operator()(const SetTarget&) const {
    return acknowledgement(dialect, dialect.find("set_target"), reply);
  }
  Result<Answer> operator()(const SetOutput& set) const {
    return acknowledgement(dialect, dialect.find(output_command(set.on)), reply);
  }
};

// The target as it was sent, rounding and all, and how far off its read-back may be.
std::optional<Proof<HeatSourceCommand>> target_proof(const Dialect& dialect, const SetTarget& set) {
  const DialectCommand* command = dialect.find("set_target");
  if (command == nullptr || !command->read_back_digits) return std::nullopt;
  const NumberField* field = number_in(command->send, dialect.fields);
  if (field == nullptr) return std::nullopt;
  const Result<std::string> sent = number_text(set.t_c, *field, dialect.decimal_comma);
  if (!sent) return std::nullopt;
  const Result<double> expected = number_of(*sent, *field, dialect.decimal_comma, std::nullopt);
  if (!expected) return std::nullopt;
  const double digit =
      std::abs(field->factor) * (field->unit ? step_of(*field->unit) : 1) * std::pow(10, -field->decimals);
  // A hundredth of a digit more: both sides were rounded.
  return Proof<HeatSourceCommand>{AskTarget(), *expected, digit * (*command->read_back_digits + 0.01)};
}

}  // namespace

std::string framed(std::string text, const Dialect& dialect) {
  if (dialect.checksum.kind != ChecksumKind::none) {
    const std::string digits = checksum_digits(text, dialect.checksum);
    text += dialect.checksum.mark + digits;
  }
  return text + dialect.command_end;
}

std::optional<std::string_view> without_checksum(std::string_view line, const Checksum& checksum) {
  if (checksum.kind == ChecksumKind::none) return line;
  const std::size_t digits = checksum.kind == ChecksumKind::crc16_modbus ? 4 : 2;
  const std::size_t tail = digits + checksum.mark.size();
  if (line.size() < tail) return std::nullopt;
  const std::string_view covered = line.substr(0, line.size() - tail);
  const bool right = line.substr(covered.size(), checksum.mark.size()) == checksum.mark &&
                     same_hex(line.substr(line.size() - digits), checksum_digits(covered, checksum));
  return right ? std::optional<std::string_view>(covered) : std::nullopt;
}

LineSettings DialectScanner::line() const {
  return line_of(dialect_);
}
Result<Message> DialectScanner::encode(const ScannerCommand& command) const {
  return std::visit(ScannerEncoder{{*dialect_}}, command);
}
Result<Answer> DialectScanner::decode(std::string_view reply, const ScannerCommand& command) const {
  return std::visit(ScannerDecoder{{*dialect_, reply}}, command);
}
std::size_t DialectScanner::steps(Steps which) const {
  return steps_of(*dialect_, which).size();
}
std::optional<Proof<ScannerCommand>> DialectScanner::proof(const ScannerCommand& command) const {
  return step_proof(*dialect_, command);
}
std::vector<ScannerCommand> DialectScanner::before(const ScannerCommand& command) const {
  std::vector<ScannerCommand> settings;
  const auto* read = std::get_if<ReadChannel>(&command);
  if (read != nullptr && choosing(*dialect_, read->channel) != nullptr)
    settings.emplace_back(ChooseChannel{read->channel});
  if (read != nullptr && beginning(*dialect_, read->channel) != nullptr)
    settings.emplace_back(BeginReading{read->channel});
  return settings;
}
std::optional<Wait<ScannerCommand>> DialectScanner::wait(const ScannerCommand& command) const {
  const auto* read = std::get_if<ReadChannel>(&command);
  if (read == nullptr || asking_ready(*dialect_, read->channel) == nullptr) return std::nullopt;
  const WhenReady& when = *reading(*dialect_, read->channel)->when_ready;
  return Wait<ScannerCommand>{AskReady{read->channel}, when.every, when.within};
}

LineSettings DialectSource::line() const {
  return line_of(dialect_);
}
Result<Message> DialectSource::encode(const HeatSourceCommand& command) const {
  return std::visit(SourceEncoder{{*dialect_}}, command);
}
Result<Answer> DialectSource::decode(std::string_view reply, const HeatSourceCommand& command) const {
  return std::visit(SourceDecoder{{*dialect_, reply}}, command);
}
std::size_t DialectSource::steps(Steps which) const {
  return steps_of(*dialect_, which).size();
}
std::optional<Proof<HeatSourceCommand>> DialectSource::proof(const HeatSourceCommand& command) const {
  if (const auto* set = std::get_if<SetTarget>(&command)) return target_proof(*dialect_, *set);
  return step_proof(*dialect_, command);
}

}  // namespace nightwell::dialect
