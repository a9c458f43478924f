// nightwell convert: a calculator on the functions that turn raw readings into results. Asks no daemon.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <memory>
#include <optional>
#include <variant>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/conversion.hpp"
#include "cli/plan_files.hpp"
#include "cli/wording.hpp"
#include "plan/loader.hpp"

namespace nightwell::cli {
namespace {

constexpr std::size_t longest_line = 200;  // bytes; an amount has a few dozen at most

struct ConvertArguments {
  std::string sensor, value;
  std::optional<std::string> junction, to;
  bool as_json = false;
};

std::optional<Sensor> sensor_of_card(Context& context, const ConvertArguments& arguments) {
  const plan::FileText file = plan::gather_one(arguments.sensor);
  auto loaded = plan::load_card(file);
  if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&loaded)) {
    tell_faults(context, *faults, arguments.as_json);
    if (!file.unread.empty())
      tell("SENSOR is the letter of a thermocouple (A B C E J K N R S T), pt100, pt1000 or a sensor card's file");
    return std::nullopt;
  }
  const auto& card = std::get<sequence::SensorCard>(loaded);
  return Sensor{card.model, "sensor " + card.serial, thermometry::TemperatureSpan{card.lowest_c, card.highest_c}};
}

Result<Asked> asked_by(const ConvertArguments& arguments, const Sensor& sensor) {
  Asked asked;
  if (arguments.junction) {
    const auto junction = parse_amount(*arguments.junction);
    if (!junction) {
      Error error = junction.error();
      error.where = "--junction";
      return error;
    }
    if (junction->unit.quantity != Quantity::temperature)
      return Error{Errc::bad_input, "--junction " + *arguments.junction,
                   "this is a temperature, in " + unit_names(Quantity::temperature), ""};
    asked.junction_c = junction->base();
  }
  if (arguments.to) {
    asked.to = unit_named(*arguments.to);
    if (!asked.to)
      return Error{Errc::bad_input, "--to " + *arguments.to, "there is no such unit; the units are " + unit_names(),
                   ""};
  }
  if (const auto sound = check_asked(sensor, asked); !sound) return sound.error();
  return asked;
}

Result<Converted> answer_to(std::string_view text, const Sensor& sensor, const Asked& asked) {
  const auto amount = parse_amount(text);
  if (!amount) return amount.error();
  return convert(sensor, *amount, asked);
}

std::string json_line(const nlohmann::ordered_json& answer) {
  return answer.dump(-1, ' ', true, nlohmann::ordered_json::error_handler_t::replace) + "\n";
}

// The next line without its end; what is beyond `longest_line` is read and left out, but for one byte that shows that
// there was more. False at the end of the input.
bool next_line(std::FILE* input, std::string& line) {
  line.clear();
  int c = std::getc(input);
  if (c == EOF) return false;
  for (; c != EOF && c != '\n'; c = std::getc(input))
    if (line.size() <= longest_line) line += static_cast<char>(c);
  return true;
}

std::string_view without_blanks(std::string_view text) {
  const auto first = text.find_first_not_of(" \t\r");
  if (first == std::string_view::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t\r") - first + 1);
}

// What a bad line leaves behind: a line in its place that no script takes for a number.
std::string in_place_of(const Error& error, bool as_json) {
  return as_json ? json_line({{"value", nullptr}, {"error", shown(error.text())}}) : "nan\n";
}

void convert_column(Context& context, const Sensor& sensor, const Asked& asked, bool as_json) {
  std::string line;
  for (std::size_t number = 1; next_line(stdin, line); ++number) {
    const std::string_view text = without_blanks(line);
    if (text.empty()) {
      say("\n");
      continue;
    }
    const std::string where = "line " + std::to_string(number);
    const auto answer =
        line.size() > longest_line
            ? Result<Converted>(Error{Errc::bad_input, "reading a column", "the line is too long to be an amount", ""})
            : answer_to(text, sensor, asked);
    if (!answer) {
      Error error = answer.error();
      say(in_place_of(error, as_json));
      error.where = where;
      context.fail(error);
      continue;
    }
    say(as_json ? json_line(answer_json(*answer)) : answer_text(*answer) + "\n");
    if (!answer->caution.empty()) tell(where + ": " + shown(answer->caution));
  }
  if (std::ferror(stdin) != 0)
    context.fail(Error{Errc::storage, "reading a column", "standard input cannot be read", ""});
}

void show_conversion(Context& context, const ConvertArguments& arguments) {
  auto sensor = sensor_named(arguments.sensor);
  if (!sensor) sensor = sensor_of_card(context, arguments);
  if (!sensor) return;
  const auto asked = asked_by(arguments, *sensor);
  if (!asked) return context.fail(asked.error());
  if (arguments.value == "-") return convert_column(context, *sensor, *asked, arguments.as_json);
  const auto answer = answer_to(arguments.value, *sensor, *asked);
  if (!answer) return context.fail(answer.error());
  say(arguments.as_json ? json_line(answer_json(*answer)) : answer_text(*answer) + "\n");
  if (!answer->caution.empty()) tell(shown(answer->caution));
}

}  // namespace

void add_convert(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("convert", "a temperature to what the sensor gives there, or back");
  auto arguments = std::make_shared<ConvertArguments>();
  command
      ->add_option("SENSOR", arguments->sensor,
                   "a thermocouple's letter (A B C E J K N R S T), pt100, pt1000 (IEC 60751) or a sensor card's file")
      ->required();
  command
      ->add_option(
          "VALUE", arguments->value,
          "a number with its unit, no blank: " + unit_names() + " (K is kelvin); -: a column of them on standard input")
      ->required();
  command
      ->add_option("--junction", arguments->junction,
                   "thermocouples: the reference junction's temperature, as 23C; left out: 0C, the ice point")
      ->type_name("T");
  command->add_option("--to", arguments->to, "the answer's unit; left out: C, mV, ohm, mA")->type_name("UNIT");
  command->add_flag("--json", arguments->as_json, "as JSON, an object a line");
  command->callback([&context, arguments] { show_conversion(context, *arguments); });
}

}  // namespace nightwell::cli
