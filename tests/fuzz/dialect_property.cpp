#include "fuzz/dialect_property.hpp"

#include <algorithm>
#include <cmath>
#include <fstream>
#include <sstream>

#include "dialect/codec.hpp"
#include "dialect/read_dialect.hpp"
#include "dialect/template.hpp"
#include "modbus/source.hpp"
#include "plan/dialect_files.hpp"
#include "plan/loader.hpp"

namespace nightwell::tests {

namespace {

using namespace instrument;

std::string complaint_about_answer(const Result<Answer>& answer) {
  if (!answer) return answer.error().detail.empty() ? "an error that says nothing" : "";
  const auto* number = std::get_if<double>(&*answer);
  return number != nullptr && !std::isfinite(*number) ? "a number that is not finite" : "";
}

template <class CodecType, class Command>
std::string complaint_about_command(const CodecType& codec, const Command& command, const dialect::Dialect& spoken,
                                    std::string_view line) {
  const auto message = codec.encode(command);
  if (message && !message->bytes.empty()) {
    const std::string_view bytes = message->bytes;
    if (!bytes.ends_with(spoken.command_end)) return "a command without its end";
    const std::string_view text = bytes.substr(0, bytes.size() - spoken.command_end.size());
    if (text.find_first_of("\r\n") != std::string_view::npos) return "a command with a line end inside";
    if (message->repeatable && !message->answered) return "a question without an answer";
  }
  (void)codec.proof(command);
  return complaint_about_answer(codec.decode(line, command));
}

std::string complaint_about_source(const std::shared_ptr<const dialect::Dialect>& spoken, std::string_view line) {
  const dialect::DialectSource codec(spoken);
  for (const HeatSourceCommand& command :
       {HeatSourceCommand(AskIdentity()), HeatSourceCommand(AskError()), HeatSourceCommand(ClearErrors()),
        HeatSourceCommand(SetTarget{21.5}), HeatSourceCommand(SetTarget{std::nan("")}), HeatSourceCommand(AskTarget()),
        HeatSourceCommand(AskTemperature()), HeatSourceCommand(SetOutput{true}), HeatSourceCommand(SetOutput{false}),
        HeatSourceCommand(AskOutput()), HeatSourceCommand(RunStep{Steps::park, 0}),
        HeatSourceCommand(CheckStep{Steps::park, 0})})
    if (std::string complaint = complaint_about_command(codec, command, *spoken, line); !complaint.empty())
      return complaint;
  for (const HeatSourceCommand& setting : {HeatSourceCommand(SetTarget{21.5}), HeatSourceCommand(SetOutput{true})})
    if (const auto message = codec.encode(setting); message && message->repeatable)
      return "a heat setting that is repeated";
  return "";
}

std::string complaint_about_map(const std::shared_ptr<const dialect::Dialect>& spoken, std::string_view line) {
  const modbus::ModbusSource codec(spoken, Duration(0));
  for (const HeatSourceCommand& command :
       {HeatSourceCommand(AskIdentity()), HeatSourceCommand(SetTarget{21.5}), HeatSourceCommand(AskTarget()),
        HeatSourceCommand(AskTemperature()), HeatSourceCommand(SetOutput{true}), HeatSourceCommand(AskOutput()),
        HeatSourceCommand(RunStep{Steps::park, 0}), HeatSourceCommand(CheckStep{Steps::park, 0})}) {
    const auto message = codec.encode(command);
    if (message && (message->bytes.empty() || message->bytes.size() > modbus::longest_frame))
      return "a request that is no frame";
    if (!message && message.error().code == Errc::unexpected && codec.steps(Steps::park) > 0)
      return "a sound map whose request cannot be made: " + message.error().detail;
    if (std::string complaint = complaint_about_answer(codec.decode(line, command)); !complaint.empty())
      return complaint;
  }
  return "";
}

std::string complaint_about_scanner(const std::shared_ptr<const dialect::Dialect>& spoken, std::string_view line) {
  const dialect::DialectScanner codec(spoken);
  for (const Quantity quantity : {Quantity::voltage, Quantity::resistance, Quantity::current, Quantity::temperature})
    for (const ScannerCommand& command :
         {ScannerCommand(ReadChannel{{101, quantity}}), ScannerCommand(ConfigureChannel{{101, quantity}}),
          ScannerCommand(ChooseChannel{{101, quantity}}), ScannerCommand(BeginReading{{101, quantity}}),
          ScannerCommand(AskReady{{101, quantity}}), ScannerCommand(AskIdentity()), ScannerCommand(AskError()),
          ScannerCommand(RunStep{})}) {
      if (std::string complaint = complaint_about_command(codec, command, *spoken, line); !complaint.empty())
        return complaint;
      const auto wait = codec.wait(command);
      if (!wait) continue;
      const auto question = codec.encode(wait->question);
      if (question && !(question->answered && question->repeatable)) return "a wait for what is no question";
      if (codec.before(command).empty()) return "a wait for what was not begun";
      if (wait->every <= Duration::zero() || wait->within < wait->every) return "a wait without an end";
    }
  return "";
}

std::vector<dialect::Field> all_kinds() {
  using namespace dialect;
  NumberField number;
  number.padded = true;
  number.no_number = {{"OPEN", Errc::open_sensor}, {"OL", Errc::overload}};
  return {{"n", number},
          {"i", IntegerField()},
          {"w", WordField()},
          {"x", TextField()},
          {"u", UnitField{{{"mV", Unit::millivolt}, {"V", Unit::volt}}}},
          {"s", StateField{{{"on", true}, {"off", false}}}},
          {"c", ChannelField{1, 99, 2, {}}}};
}

}  // namespace

std::string shipped_dialect(const std::string& name) {
  std::ifstream file(std::string(NIGHTWELL_SOURCE_DIR) + "/drivers/dialects/" + name + ".json");
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

std::string complaint_about_dialect(const std::string& text, std::string_view line) {
  plan::InputFiles files;
  files.dialects["d"] = plan::FileText{"d", text, ""};
  plan::FaultList faults(plan::most_faults);
  plan::DialectFiles dialects(files, faults);
  const plan::LoadedDialect* loaded = dialects.load("d", plan::Place{"bench", "/driver"});
  if (loaded == nullptr) {
    if (faults.empty()) return "neither a dialect nor a fault";
    for (const plan::Fault& fault : std::move(faults).take())
      if (plan::text(fault).find_first_of("\n\r\x1b") != std::string::npos)
        return "a fault whose text is not one safe line";
    return "";
  }
  if (!faults.empty()) return "a dialect and faults";
  const auto again = dialect::dialect_from(loaded->json);
  if (!again) return "the frozen text is no dialect: " + again.error().text();
  if (loaded->value->registers) return complaint_about_map(loaded->value, line);
  return loaded->value->role == dialect::Role::scanner ? complaint_about_scanner(loaded->value, line)
                                                       : complaint_about_source(loaded->value, line);
}

std::string complaint_about_match(std::string_view pattern, std::string_view line) {
  const auto fields = all_kinds();
  const auto parsed = dialect::parse_template(pattern, fields);
  if (!parsed) return parsed.error().detail.empty() ? "an error that says nothing" : "";
  for (const bool comma : {false, true}) {
    const auto found = dialect::match(*parsed, line, fields, comma, "");
    if (!found) continue;
    for (const dialect::Taken& taken : found->taken) {
      if (taken.text.data() < line.data() || taken.text.data() + taken.text.size() > line.data() + line.size())
        return "a field that is no part of the line";
      const auto* number = std::get_if<dialect::NumberField>(&fields[taken.field].kind);
      if (number == nullptr || taken.condition) continue;
      const Result<double> value = dialect::number_of(taken.text, *number, comma, std::nullopt);
      if (value && !(std::abs(*value) <= 1e30)) return "a number beyond 1e30";
    }
  }
  return "";
}

std::string complaint_about_dialect_input(std::string_view input) {
  static const std::string shipped = shipped_dialect("terse-bath");
  if (input.empty()) return "";
  const int choice = static_cast<unsigned char>(input.front()) % 3;
  input.remove_prefix(1);
  if (choice == 0) return complaint_about_dialect(std::string(input), "T+020.50*62");
  if (choice == 1) return complaint_about_dialect(shipped, input);
  const std::size_t zero = std::min(input.find('\0'), input.size());
  return complaint_about_match(input.substr(0, zero), input.substr(std::min(zero + 1, input.size())));
}

}  // namespace nightwell::tests
