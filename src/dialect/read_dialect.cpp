#include "dialect/read_dialect.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>

#include "dialect/read_register_map.hpp"
#include "dialect/template.hpp"
#include "plan/nearest.hpp"
#include "plan/object_reader.hpp"

namespace nightwell::dialect {

namespace {

using instrument::ReplyShape;
using plan::FaultList;
using plan::in_quotes;
using plan::ObjectReader;
using plan::Place;
using plan::Words;

constexpr std::size_t most_commands = 64;
constexpr std::size_t most_steps = 8;
constexpr std::size_t most_lines = 64;
constexpr std::size_t longest_word = 40;
constexpr const char* quantities[] = {"voltage", "resistance", "current", "temperature"};

struct Need {
  const char* name;
  CommandKind kind;
};
constexpr Need of_source[] = {{"identity", CommandKind::query},          {"target", CommandKind::query},
                              {"temperature", CommandKind::query},       {"output", CommandKind::query},
                              {"set_target", CommandKind::heat_setting}, {"output_on", CommandKind::heat_setting},
                              {"output_off", CommandKind::heat_setting}};
constexpr Need of_both[] = {{"error", CommandKind::query}, {"clear_errors", CommandKind::safe_setting}};

const char* word_of(CommandKind kind) {
  return kind == CommandKind::query ? "query" : kind == CommandKind::safe_setting ? "safe_setting" : "heat_setting";
}

const Words<Unit>& units() {
  static const Words<Unit> words = {{"celsius", Unit::celsius},
                                    {"fahrenheit", Unit::fahrenheit},
                                    {"kelvin", Unit::kelvin},
                                    {"volt", Unit::volt},
                                    {"millivolt", Unit::millivolt},
                                    {"microvolt", Unit::microvolt},
                                    {"ohm", Unit::ohm},
                                    {"kilohm", Unit::kilohm},
                                    {"ampere", Unit::ampere},
                                    {"milliampere", Unit::milliampere}};
  return words;
}

// Longest first, so that "°C" is not taken for "°".
template <class Meaning>
void sort_words(std::vector<std::pair<std::string, Meaning>>& words) {
  std::stable_sort(words.begin(), words.end(),
                   [](const auto& a, const auto& b) { return a.first.size() > b.first.size(); });
}

class Reader {
 public:
  Reader(ObjectReader& root, FaultList& faults) : root_(root), faults_(faults) {}

  Dialect read() {
    static const Words<Role> roles = {{"heat_source", Role::heat_source}, {"scanner", Role::scanner}};
    (void)root_.has("format");  // judged by whoever opened the file
    out_.name = root_.text("dialect", 100).value_or("");
    out_.revision = root_.whole("revision", 1, 1'000'000).value_or(0);
    const auto role = root_.word("for", roles);
    out_.role = role.value_or(Role::scanner);
    if (root_.has("modbus")) return read_registers(role);
    read_line();
    read_fields();
    out_.refused = patterns("refused");
    out_.set_aside = patterns("set_aside");
    read_commands();
    resolve_readings();
    out_.start_up = read_steps("start_up", false);
    if (role == Role::heat_source) {
      out_.park = read_steps("park", true);
      read_limits();
    } else if (role) {
      root_.unused("park", "only a heat source parks");
      root_.unused("limits", "only a heat source has targets");
    } else {
      (void)root_.has("park");
      (void)root_.has("limits");
    }
    root_.finish();
    if (role && commands_known_) check_role();
    out_.line.error_queue = out_.find("error") != nullptr;
    return std::move(out_);
  }

 private:
  // A command that is named elsewhere, and where.
  struct Named {
    std::string name;
    Place place;
  };
  struct ReadingWay {
    std::size_t reading = 0;
    std::optional<Named> choose, begin, ready;
  };

  Dialect read_registers(std::optional<Role> role) {
    if (role == Role::scanner)
      root_.refuse("for", in_quotes("heat_source"), "a scanner behind Modbus registers is not supported");
    read_limits();
    read_register_map(root_, faults_, out_);
    root_.finish();
    return std::move(out_);
  }

  // ---- the line ----

  void read_line() {
    static const Words<std::string> command_ends = {{"CR", "\r"}, {"LF", "\n"}, {"CRLF", "\r\n"}, {"none", ""}};
    static const Words<std::string> reply_ends = {{"CR", "\r"}, {"LF", "\n"}, {"CRLF", "\r\n"}, {"none", ""}};
    static const Words<bool> decimals = {{"point", false}, {"comma", true}};
    auto line = root_.object("line");
    if (!line) return;
    out_.command_end = line->word("command_end", command_ends).value_or("\n");
    out_.line.reply_ends = line->word("reply_end", reply_ends).value_or("\n");
    out_.line.echoes = line->truth_if("echo").value_or(false);
    out_.line.prompt = line->text_if("prompt", 16).value_or("");
    if (const auto gap = line->number_if("pause_ms", {0, 500, "ms"})) out_.line.gap = from_seconds(*gap / 1000);
    if (const auto quiet = line->number_if("quiet_ms", {10, 10'000, "ms"}))
      out_.line.quiet = from_seconds(*quiet / 1000);
    if (line->has("decimal")) out_.decimal_comma = line->word("decimal", decimals).value_or(false);
    out_.line.spoil = line->text_if("spoil", 16).value_or("*") + out_.command_end;
    if (line->has("checksum")) read_checksum(*line);
    line->finish();
  }

  void read_checksum(ObjectReader& line) {
    static const Words<ChecksumKind> kinds = {
        {"xor", ChecksumKind::xor_sum}, {"lrc", ChecksumKind::lrc}, {"crc16_modbus", ChecksumKind::crc16_modbus}};
    static const Words<bool> orders = {{"high_first", false}, {"low_first", true}};
    auto reader = line.object("checksum");
    if (!reader) return;
    const auto kind = reader->word("kind", kinds);
    if (kind) out_.checksum.kind = *kind;
    out_.checksum.mark = reader->text_if("mark", 4).value_or("");
    if (reader->has("skip")) out_.checksum.skip = static_cast<std::size_t>(reader->whole("skip", 0, 8).value_or(0));
    if (kind == ChecksumKind::crc16_modbus)
      out_.checksum.low_first = reader->word("order", orders).value_or(false);
    else if (kind)
      reader->unused("order", "this checksum is one byte");
    reader->finish();
  }

  // ---- fields ----

  void read_fields() {
    const auto fields = root_.members_if("fields", 0, most_fields);
    if (!fields) return;
    for (const auto& [name, value, place] : *fields) {
      ObjectReader reader(value, place, faults_);
      if (name.find_first_of("{}\\") != std::string::npos)
        faults_.add(place, "the name " + in_quotes(name), "a name without braces and backslashes");
      Field field;
      field.name = name;
      field.kind = read_field(reader);
      reader.finish();
      out_.fields.push_back(std::move(field));
    }
  }

  FieldKind read_field(ObjectReader& reader) {
    enum class Type { number, integer, word, text, unit, state, channel };
    static const Words<Type> types = {{"number", Type::number},  {"integer", Type::integer}, {"word", Type::word},
                                      {"text", Type::text},      {"unit", Type::unit},       {"state", Type::state},
                                      {"channel", Type::channel}};
    switch (reader.word("type", types).value_or(Type::text)) {
      case Type::number: return read_number(reader);
      case Type::integer: return IntegerField{};
      case Type::word: return WordField{};
      case Type::text: return TextField{};
      case Type::unit: return read_unit(reader);
      case Type::state: return read_state(reader);
      case Type::channel: return read_channel(reader);
    }
    return TextField{};
  }

  NumberField read_number(ObjectReader& reader) {
    static const Words<Errc> conditions = {{"open_sensor", Errc::open_sensor}, {"overload", Errc::overload}};
    NumberField field;
    if (reader.has("unit")) field.unit = reader.word("unit", units());
    field.factor = reader.number_if("factor", {-1e9, 1e9, ""}).value_or(1);
    if (field.factor == 0) reader.refuse("factor", "a number other than 0");
    field.offset = reader.number_if("offset", {-1e9, 1e9, ""}).value_or(0);
    field.padded = reader.truth_if("padded").value_or(false);
    if (reader.has("decimals")) field.decimals = reader.whole("decimals", 0, 9).value_or(0);
    if (reader.has("width")) field.width = reader.whole("width", 1, 20).value_or(0);
    field.plus = reader.truth_if("plus").value_or(false);
    if (const auto words = reader.members_if("no_number", 1, 16)) field.no_number = meanings(*words, conditions);
    return field;
  }

  UnitField read_unit(ObjectReader& reader) {
    UnitField field;
    if (const auto words = reader.members("words", 1, 16)) field.words = meanings(*words, units());
    return field;
  }

  StateField read_state(ObjectReader& reader) {
    StateField field;
    for (const char* key : {"on", "off"}) {
      const auto list = reader.list(key, 1, 8);
      if (!list) continue;
      for (const auto& [value, place] : *list) {
        if (value.is_string() && is_word_text(value.get_ref<const std::string&>()))
          field.words.emplace_back(value.get<std::string>(), key == std::string_view("on"));
        else
          faults_.add(place, plan::shown(value), "a text of 1 to 40 characters without control characters");
      }
    }
    std::set<std::string> seen;
    for (const auto& [word, on] : field.words)
      if (!seen.insert(word).second) faults_.add(reader.place("off"), in_quotes(word), "a text that stands once");
    sort_words(field.words);
    return field;
  }

  static bool is_word_text(const std::string& text) {
    return !text.empty() && text.size() <= longest_word &&
           std::none_of(text.begin(), text.end(), [](unsigned char c) { return c < 0x20 || c == 0x7f; });
  }

  template <class Meaning>
  std::vector<std::pair<std::string, Meaning>> meanings(const std::vector<ObjectReader::Member>& members,
                                                        const Words<Meaning>& known) {
    std::vector<std::pair<std::string, Meaning>> out;
    std::vector<std::string> allowed;
    for (const auto& [word, meaning] : known) allowed.push_back(word);
    for (const auto& [word, value, place] : members) {
      const auto found =
          std::find_if(known.begin(), known.end(), [&v = value](const auto& one) { return v == one.first; });
      if (!is_word_text(word))
        faults_.add(place, "the text " + in_quotes(word), "1 to 40 bytes without control characters");
      else if (found == known.end())
        faults_.add(place, plan::shown(value), plan::one_of(allowed));
      else
        out.emplace_back(word, found->second);
    }
    sort_words(out);
    return out;
  }

  ChannelField read_channel(ObjectReader& reader) {
    ChannelField field;
    if (reader.has("names")) {
      for (const char* key : {"lowest", "highest", "digits"})
        reader.unused(key, "the names say which channels there are");
      if (const auto names = reader.members("names", 1, 1000))
        for (const auto& [address, value, place] : *names) read_channel_name(address, value, place, field);
      return field;
    }
    field.lowest = reader.whole("lowest", 1, 9999).value_or(1);
    field.highest = reader.whole("highest", 1, 9999).value_or(9999);
    if (field.highest < field.lowest) reader.refuse("highest", "at least lowest");
    if (reader.has("digits")) field.digits = reader.whole("digits", 1, 6).value_or(1);
    return field;
  }

  // Channel texts go into commands: letters and digits only.
  void read_channel_name(const std::string& address, const plan::Json& value, const Place& place, ChannelField& field) {
    const bool number =
        address.size() <= 4 && address.find_first_not_of("0123456789") == std::string::npos && address.front() != '0';
    const std::string text = value.is_string() ? value.get<std::string>() : "";
    const bool plain = !text.empty() && text.size() <= 8 && std::all_of(text.begin(), text.end(), [](char c) {
      return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
    });
    if (!number) faults_.add(place, "the address " + in_quotes(address), "a whole number 1 to 9999");
    if (!plain) faults_.add(place, plan::shown(value), "1 to 8 letters and digits");
    if (number && plain) field.names.emplace(std::stoi(address), text);
  }

  // ---- templates ----

  std::optional<Template> parsed(const std::string& text, const Place& place) {
    auto result = parse_template(text, out_.fields);
    if (!result) {
      faults_.add(place, in_quotes(text), "a template", result.error().detail);
      return std::nullopt;
    }
    for (const Part& part : *result)
      if (const auto* literal = std::get_if<std::string>(&part);
          literal && literal->find_first_of("\r\n" + out_.line.reply_ends) != std::string::npos) {
        faults_.add(place, in_quotes(text), "a template without line ends", "the line section says how lines end");
        return std::nullopt;
      }
    return std::move(result).value();
  }

  std::optional<Template> reply_pattern(const std::string& text, const Place& place) {
    auto pattern = parsed(text, place);
    if (!pattern) return std::nullopt;
    const std::string why = ambiguity(*pattern, out_.fields);
    if (!why.empty()) faults_.add(place, in_quotes(text), "a template that can be read in one way", why);
    return pattern;
  }

  std::vector<Template> patterns(const std::string& key) {
    std::vector<Template> out;
    if (!root_.has(key)) return out;
    const auto list = root_.list(key, 1, 16);
    if (!list) return out;
    for (const auto& [value, place] : *list)
      if (const auto text = template_text(value, place))
        if (auto pattern = reply_pattern(*text, place)) out.push_back(std::move(*pattern));
    return out;
  }

  std::optional<std::string> template_text(const plan::Json& value, const Place& place) {
    if (value.is_string()) {
      const auto& text = value.get_ref<const std::string&>();
      const bool control = std::any_of(text.begin(), text.end(), [](unsigned char c) { return c < 0x20 || c == 0x7f; });
      if (!text.empty() && text.size() <= longest_template && !control) return text;
    }
    faults_.add(place, plan::shown(value), "a template of 1 to 1024 characters without control characters");
    return std::nullopt;
  }

  // ---- commands ----

  void read_commands() {
    const auto commands = root_.members("commands", 1, most_commands);
    if (!commands) return;
    commands_known_ = true;
    for (const auto& [name, value, place] : *commands) {
      ObjectReader reader(value, place, faults_);
      out_.names.emplace(name, out_.commands.size());
      places_.push_back(place);
      out_.commands.push_back(read_command(name, reader));
    }
  }

  DialectCommand read_command(const std::string& name, ObjectReader& reader) {
    static const Words<CommandKind> kinds = {{"query", CommandKind::query},
                                             {"safe_setting", CommandKind::safe_setting},
                                             {"heat_setting", CommandKind::heat_setting}};
    DialectCommand command;
    const auto kind = reader.word("kind", kinds);
    command.kind = kind.value_or(CommandKind::query);
    if (const auto text = reader.text("send", longest_template))
      if (auto pattern = parsed(*text, reader.place("send"))) command.send = std::move(*pattern);
    check_sent_fields(name, command.send, reader);
    read_reply(command, reader);
    if (kind == CommandKind::query && !reader.has("reply"))
      reader.refuse("reply", "a template of the reply", "a query has one");
    if (const auto within = reader.number_if("within_s", {0.01, 120, "s"})) command.within = from_seconds(*within);
    if (reader.has("value")) command.value = field_key("value", command, reader);
    if (reader.has("text")) command.text = field_key("text", command, reader);
    read_own_keys(name, command, reader);
    reader.finish();
    return command;
  }

  void read_own_keys(const std::string& name, DialectCommand& command, ObjectReader& reader) {
    if (name == "error") {
      if (reader.has("mask")) command.mask = static_cast<unsigned>(reader.whole("mask", 1, 0x7FFFFFFF).value_or(1));
    } else {
      reader.unused("mask", "only the number of an error has bits");
    }
    if (name == "set_target" && reader.has("read_back")) {
      if (auto inside = reader.object("read_back")) {
        command.read_back_digits = inside->whole("last_digits", 0, 1000);
        inside->finish();
      }
    } else if (name != "set_target") {
      reader.unused("read_back", "only a target is read back within digits; steps have \"expect\"");
    }
    if (name.rfind("read_", 0) == 0) {
      read_way(command, reader);
    } else {
      for (const char* key : {"choose", "begin", "when_ready"})
        reader.unused(key, "only what reads a channel has something before it");
    }
  }

  // How a reading comes about: its channel is chosen, it is begun, it is ready.
  void read_way(DialectCommand& command, ObjectReader& reader) {
    ReadingWay way;
    way.reading = out_.commands.size();
    if (const auto choose = reader.text_if("choose", 100)) way.choose = {*choose, reader.place("choose")};
    if (const auto begin = reader.text_if("begin", 100)) way.begin = {*begin, reader.place("begin")};
    if (auto ready = reader.has("when_ready") ? reader.object("when_ready") : std::nullopt) {
      command.when_ready = read_when_ready(*ready);
      way.ready = {ready->text("query", 100).value_or(""), ready->place()};
      ready->finish();
    }
    ways_.push_back(std::move(way));
  }

  WhenReady read_when_ready(ObjectReader& reader) {
    constexpr int all_bits = 0x7FFFFFFF;
    WhenReady out;
    const plan::Json* is = reader.peek("is");
    if (is != nullptr && is->is_number()) {
      out.bits = static_cast<unsigned>(reader.whole("is", 0, all_bits).value_or(0));
      out.mask = all_bits;
      if (reader.has("mask")) out.mask = static_cast<unsigned>(reader.whole("mask", 1, all_bits).value_or(all_bits));
      if ((out.bits & ~out.mask) != 0) reader.refuse("is", "bits of the mask");
    } else {
      out.is = ready_texts(reader);
      reader.unused("mask", "only a number has bits");
    }
    const auto every = reader.number("every_ms", {10, 10'000, "ms"});
    const auto within = reader.number("within_s", {0.1, 120, "s"});
    if (every) out.every = from_seconds(*every / 1000);
    if (within) out.within = from_seconds(*within);
    if (every && within && out.within < out.every) reader.refuse("within_s", "at least every_ms");
    return out;
  }

  std::vector<std::string> ready_texts(ObjectReader& reader) {
    std::vector<std::string> out;
    if (!is_list(reader, "is")) {
      if (const auto text = reader.text("is", 200)) out.push_back(*text);
      return out;
    }
    const auto list = reader.list("is", 1, 8);
    if (!list) return out;
    for (const auto& [value, place] : *list) {
      const std::string text = value.is_string() ? value.get<std::string>() : "";
      if (!text.empty() && text.size() <= 200 &&
          std::none_of(text.begin(), text.end(), [](unsigned char c) { return c < 0x20 || c == 0x7f; }))
        out.push_back(text);
      else
        faults_.add(place, plan::shown(value), "a text of 1 to 200 characters without control characters");
    }
    return out;
  }

  static std::string why_not_sent(const Field& field) {
    if (std::holds_alternative<IntegerField>(field.kind))
      return "{" + field.name + "} is an integer, which is read only: use number with 0 decimals";
    return "{" + field.name + "} would put text into a command";
  }

  // What may stand in a command: one number at most, written by us, and a channel.
  void check_sent_fields(const std::string& name, const Template& send, ObjectReader& reader) {
    int numbers = 0;
    for (const Part& part : send) {
      const auto* index = std::get_if<std::size_t>(&part);
      if (index == nullptr) continue;
      const Field& field = out_.fields[*index];
      const auto* number = std::get_if<NumberField>(&field.kind);
      const bool channel = std::holds_alternative<ChannelField>(field.kind);
      if (number != nullptr && ++numbers > 1) reader.refuse("send", "at most one number");
      if (number != nullptr && number->decimals < 0)
        reader.refuse("send", "a number field with \"decimals\"",
                      "{" + field.name + "} says nothing of how to write it");
      if (number == nullptr && !channel) reader.refuse("send", "numbers and channels only", why_not_sent(field));
    }
    if (name == "set_target" && numbers != 1 && !send.empty()) reader.refuse("send", "one number field: the target");
    if (numbers > 0 && name != "set_target") with_number_.insert(name);
  }

  void read_reply(DialectCommand& command, ObjectReader& reader) {
    std::string joined;
    std::size_t lines = 0;
    if (reader.has("reply")) {
      const auto texts = reply_texts(reader);
      if (!texts) return;
      command.reply.emplace();
      for (const auto& [text, place] : *texts) {
        auto pattern = reply_pattern(text, place);
        if (!pattern) continue;
        if (lines++ > 0) command.reply->emplace_back(std::string("\n"));
        for (Part& part : *pattern) command.reply->push_back(std::move(part));
      }
      command.shape.count = std::max<std::size_t>(lines, 1);
    }
    read_shape(command, lines, reader);
  }

  std::optional<std::vector<std::pair<std::string, Place>>> reply_texts(ObjectReader& reader) {
    std::vector<std::pair<std::string, Place>> out;
    if (!is_list(reader, "reply")) {
      const auto text = reader.text("reply", longest_template);
      if (!text) return std::nullopt;
      out.emplace_back(*text, reader.place("reply"));
      return out;
    }
    const auto list = reader.list("reply", 1, most_lines);
    if (!list) return std::nullopt;
    for (const auto& [value, place] : *list)
      if (const auto text = template_text(value, place)) out.emplace_back(*text, place);
    return out;
  }

  // Looks without leaving a fault.
  static bool is_list(ObjectReader& reader, const std::string& key) {
    const plan::Json* value = reader.peek(key);
    return value != nullptr && value->is_array();
  }

  void read_shape(DialectCommand& command, std::size_t lines, ObjectReader& reader) {
    const bool until = reader.has("reply_until");
    const bool bytes = reader.has("reply_bytes");
    if (until && bytes) reader.refuse("reply_bytes", "one of reply_until and reply_bytes");
    if ((until || bytes) && !command.reply)
      reader.refuse(until ? "reply_until" : "reply_bytes", "nothing without a reply");
    if (until) {
      command.shape.ends = ReplyShape::Ends::at_line;
      command.shape.last_line = reader.text("reply_until", longest_template).value_or("");
    } else if (bytes) {
      command.shape.ends = ReplyShape::Ends::after_bytes;
      command.shape.count = static_cast<std::size_t>(reader.whole("reply_bytes", 1, 4096).value_or(1));
      if (lines > 1) reader.refuse("reply", "one template: a reply of so many bytes is no lines");
    }
    if (command.reply && out_.line.reply_ends.empty() && !bytes)
      reader.refuse("reply_bytes", "the length of the reply", "with \"reply_end\": \"none\" nothing else ends it");
  }

  std::optional<std::size_t> field_key(const char* key, const DialectCommand& command, ObjectReader& reader) {
    const auto name = reader.text(key, 100);
    if (!name) return std::nullopt;
    if (command.reply)
      for (const Part& part : *command.reply)
        if (const auto* index = std::get_if<std::size_t>(&part); index && out_.fields[*index].name == *name)
          return *index;
    reader.refuse(key, "a field of the reply");
    return std::nullopt;
  }

  // ---- steps and limits ----

  std::vector<DialectStep> read_steps(const std::string& key, bool parking) {
    std::vector<DialectStep> out;
    if (!root_.has(key)) return out;
    const auto list = root_.list(key, 1, most_steps);
    if (!list) return out;
    for (const auto& [value, place] : *list) {
      ObjectReader reader(value, place, faults_);
      if (auto step = read_step(reader, parking)) out.push_back(std::move(*step));
      reader.finish();
    }
    return out;
  }

  std::optional<DialectStep> read_step(ObjectReader& reader, bool parking) {
    DialectStep step;
    const auto command = named_command(reader, "command", CommandKind::safe_setting, parking ? "output_off" : "");
    if (command) step.command = *command;
    const bool takes_number = command && with_number_.contains(name_of(*command));
    if (takes_number)
      step.number = reader.number("number", {-1e6, 1e6, ""});
    else if (command)
      reader.unused("number", "the command has no number field");
    if (auto expect = reader.has("expect") ? reader.object("expect") : std::nullopt) {
      step.query = named_command(*expect, "query", CommandKind::query, "");
      step.is = expect->text("is", 200).value_or("");
      expect->finish();
    }
    return command ? std::optional<DialectStep>(std::move(step)) : std::nullopt;
  }

  [[nodiscard]] std::string name_of(std::size_t index) const {
    for (const auto& [name, at] : out_.names)
      if (at == index) return name;
    return "";
  }

  std::optional<std::size_t> named_command(ObjectReader& reader, const char* key, CommandKind kind,
                                           const std::string& also) {
    const auto name = reader.text(key, 100);
    if (!name || !commands_known_) return std::nullopt;
    std::vector<std::string> all;
    for (const auto& [known, index] : out_.names) all.push_back(known);
    const auto found = out_.names.find(*name);
    if (found == out_.names.end()) {
      reader.refuse(key, "a command of this dialect", plan::meant(*name, all));
      return std::nullopt;
    }
    used_.insert(*name);
    if (out_.commands[found->second].kind != kind && *name != also)
      reader.refuse(key, std::string("a command marked ") + word_of(kind),
                    kind == CommandKind::safe_setting ? "steps never heat" : "");
    if (has_channel(out_.commands[found->second].send)) reader.refuse(key, "a command without a channel");
    return found->second;
  }

  [[nodiscard]] bool has_channel(const Template& pattern) const {
    return std::any_of(pattern.begin(), pattern.end(), [this](const Part& part) {
      const auto* index = std::get_if<std::size_t>(&part);
      return index != nullptr && std::holds_alternative<ChannelField>(out_.fields[*index].kind);
    });
  }

  // The commands that a reading needs before it; known once all commands are.
  void resolve_readings() {
    for (const ReadingWay& way : ways_) {
      if (way.choose) resolve_choose(way);
      if (way.begin) resolve_begin(way);
      if (way.ready) resolve_ready(way);
    }
  }

  // A command that a reading names; a fault where there is none, or one that wants a number.
  std::optional<std::size_t> needed_command(const Named& named) {
    const auto found = out_.names.find(named.name);
    if (found == out_.names.end()) {
      std::vector<std::string> all;
      for (const auto& [known, index] : out_.names) all.push_back(known);
      if (!named.name.empty())
        faults_.add(named.place, in_quotes(named.name), "a command of this dialect", plan::meant(named.name, all));
      return std::nullopt;
    }
    used_.insert(named.name);
    if (with_number_.contains(named.name))
      faults_.add(named.place, in_quotes(named.name), "a command without a number");
    return found->second;
  }

  void resolve_choose(const ReadingWay& way) {
    DialectCommand& reading = out_.commands[way.reading];
    const auto& [name, place] = *way.choose;
    reading.choose = needed_command(*way.choose);
    if (!reading.choose) return;
    const DialectCommand& choosing = out_.commands[*reading.choose];
    if (choosing.kind != CommandKind::safe_setting || !has_channel(choosing.send))
      faults_.add(place, in_quotes(name), "a command marked safe_setting with a channel field");
    else if (has_channel(reading.send))
      faults_.add(place, in_quotes(name), "nothing, where the reading names its channel itself");
    else if (!choosing.reply && !out_.names.contains("error") && !(reading.reply && has_channel(*reading.reply)))
      faults_.add(place, in_quotes(name), "a choice that shows",
                  "a choice that got lost would read the channel before: it needs a reply, or the reading's reply the "
                  "channel, or the dialect an \"error\" query");
  }

  // An error queue does not show a start that was not heard at all: the instrument would be ready with the reading before.
  static constexpr const char* lost_start =
      "a start that got lost would give the reading before: it needs a reply, if need be that of a question in the "
      "same "
      "message";

  void resolve_begin(const ReadingWay& way) {
    DialectCommand& reading = out_.commands[way.reading];
    const auto& [name, place] = *way.begin;
    reading.begin = needed_command(*way.begin);
    if (!reading.begin) return;
    const DialectCommand& beginning = out_.commands[*reading.begin];
    if (beginning.kind != CommandKind::safe_setting)
      faults_.add(place, in_quotes(name), "a command marked safe_setting");
    else if (!beginning.reply)
      faults_.add(place, in_quotes(name), "a start that shows", lost_start);
  }

  void resolve_ready(const ReadingWay& way) {
    DialectCommand& reading = out_.commands[way.reading];
    const auto& [name, place] = *way.ready;
    const auto index = needed_command({name, place / "query"});
    if (!way.begin && !(reading.choose && out_.commands[*reading.choose].reply))
      faults_.add(place, "nothing that begins it", "a start that shows",
                  std::string("a \"begin\", or a \"choose\" that has a reply: ") + lost_start);
    if (!index) return;
    WhenReady& when = *reading.when_ready;
    when.query = *index;
    const DialectCommand& query = out_.commands[*index];
    const auto* number = query.value ? std::get_if<IntegerField>(&out_.fields[*query.value].kind) : nullptr;
    if (query.kind != CommandKind::query)
      faults_.add(place / "query", in_quotes(name), "a command marked query");
    else if (when.is.empty() && number == nullptr && when.mask != 0)
      faults_.add(place / "query", in_quotes(name), "a query whose \"value\" is the name of an integer field",
                  "its number is compared");
    for (const std::string& text : when.is)
      if (query.reply && !can_be(query, text))
        faults_.add(place / "is", in_quotes(text), "a reply that " + in_quotes(name) + " can have",
                    "it would never be ready");
  }

  [[nodiscard]] bool can_be(const DialectCommand& query, const std::string& text) const {
    return match(*query.reply, text, out_.fields, out_.decimal_comma, "", query.shape.ends == ReplyShape::Ends::at_line)
        .has_value();
  }

  void read_limits() {
    if (!root_.has("limits")) return;
    auto reader = root_.object("limits");
    if (!reader) return;
    out_.lowest_c = reader->number("lowest_c", {-273.15, 10'000, "°C"});
    out_.highest_c = reader->number("highest_c", {-273.15, 10'000, "°C"});
    if (out_.lowest_c && out_.highest_c && *out_.lowest_c >= *out_.highest_c)
      reader->refuse("highest_c", "above lowest_c, " + plan::shortest(*out_.lowest_c) + " °C");
    reader->finish();
  }

  // ---- what the role needs ----

  void check_role() {
    std::vector<std::string> known;
    const bool source = out_.role == Role::heat_source;
    if (source)
      for (const Need& need : of_source) known.emplace_back(need.name), require(need, true);
    else
      check_scanner(known);
    for (const Need& need : of_both) known.emplace_back(need.name), require(need, false);
    check_answers(source);
    for (const auto& [name, index] : out_.names) {
      if (used_.contains(name)) continue;
      if (std::find(known.begin(), known.end(), name) != known.end()) continue;
      faults_.add(places_[index], "the command " + in_quotes(name),
                  "a command that something uses: " + plan::one_of(known), plan::meant(name, known));
    }
    for (const std::string& name : with_number_)
      if (!used_.contains(name))
        faults_.add(places_[out_.names.at(name)] / "send", "a number field",
                    "none here: only set_target and steps have numbers");
  }

  void check_scanner(std::vector<std::string>& known) {
    known.emplace_back("identity");
    require({"identity", CommandKind::query}, true);
    bool any = false;
    for (const char* quantity : quantities) {
      const std::string read = std::string("read_") + quantity, configure = std::string("configure_") + quantity;
      known.push_back(read);
      known.push_back(configure);
      any = any || out_.names.contains(read);
      require({read.c_str(), CommandKind::query}, false);
      require({configure.c_str(), CommandKind::safe_setting}, false);
    }
    if (!any)
      faults_.add(root_.place("commands"), "no command that reads",
                  "one of \"read_voltage\", \"read_resistance\", \"read_current\", \"read_temperature\"");
    for (const auto& [name, index] : out_.names)
      if (out_.commands[index].kind == CommandKind::heat_setting)
        faults_.add(places_[index] / "kind", "\"heat_setting\"", "\"query\" or \"safe_setting\"",
                    "a scanner heats nothing");
  }

  void require(const Need& need, bool always) {
    const auto found = out_.names.find(std::string_view(need.name));
    if (found == out_.names.end()) {
      if (always)
        faults_.add(root_.place("commands") / need.name, "nothing", std::string("the command ") + in_quotes(need.name),
                    std::string("it is a ") + word_of(need.kind) + " that the program needs");
      return;
    }
    const CommandKind kind = out_.commands[found->second].kind;
    if (kind != need.kind)
      faults_.add(places_[found->second] / "kind", in_quotes(word_of(kind)), in_quotes(word_of(need.kind)));
  }

  // A command that says to be harmless is sent by steps, asked again and again, and shown to nobody's guardian: its bytes must
  // not be those of a heat setting, whatever number stands in that.
  void check_harmless() {
    for (const auto& [name, index] : out_.names) {
      if (out_.commands[index].kind == CommandKind::heat_setting) continue;
      const std::string text = with_a_number(out_.commands[index].send);
      for (const auto& [heat, at] : out_.names)
        if (out_.commands[at].kind == CommandKind::heat_setting && !(text.empty() || is_off(heat)) &&
            match(out_.commands[at].send, text, out_.fields, out_.decimal_comma, ""))
          faults_.add(places_[index] / "send", in_quotes(text), "other bytes than those of " + in_quotes(heat),
                      "it would heat behind the guardian's back");
    }
  }
  static bool is_off(const std::string& name) { return name == "output_off"; }

  // As it may go out.
  [[nodiscard]] std::string with_a_number(const Template& pattern) const {
    std::string out;
    for (const Part& part : pattern) {
      const auto* literal = std::get_if<std::string>(&part);
      out += literal != nullptr ? *literal : "1";
    }
    return out;
  }

  // Whether each question's answer is a field of the kind that it must be, with a unit that fits.
  void check_answers(bool source) {
    if (source) {
      check_number("target", Quantity::temperature);
      check_number("temperature", Quantity::temperature);
      check_value<StateField>("output", "a state field");
      check_target_field();
      check_harmless();
    } else {
      for (const char* quantity : quantities)
        check_number(std::string("read_") + quantity, *nightwell::quantity(quantity));
    }
    check_value<IntegerField>("error", "an integer field");
  }

  template <class Kind>
  const Field* check_value(const std::string& name, const char* wanted) {
    const auto found = out_.names.find(name);
    if (found == out_.names.end() || !out_.commands[found->second].reply) return nullptr;
    const DialectCommand& command = out_.commands[found->second];
    const Field* field = command.value ? &out_.fields[*command.value] : nullptr;
    if (field != nullptr && std::holds_alternative<Kind>(field->kind)) return field;
    faults_.add(places_[found->second] / "value", field ? in_quotes(field->name) : "nothing",
                std::string("the name of ") + wanted + " of the reply");
    return nullptr;
  }

  void check_number(const std::string& name, Quantity quantity) {
    const Field* field = check_value<NumberField>(name, "a number field");
    if (field == nullptr) return;
    const std::size_t index = out_.names.at(name);
    std::vector<Unit> said;
    int unit_fields = 0;
    for (const Part& part : *out_.commands[index].reply) {
      const auto* at = std::get_if<std::size_t>(&part);
      const auto* words = at ? std::get_if<UnitField>(&out_.fields[*at].kind) : nullptr;
      if (words == nullptr) continue;
      ++unit_fields;
      for (const auto& [word, unit] : words->words) said.push_back(unit);
    }
    if (const auto unit = std::get<NumberField>(field->kind).unit) {
      ++unit_fields;
      said.push_back(*unit);
    }
    const Place place = places_[index] / "value";
    if (unit_fields != 1)
      faults_.add(place, in_quotes(field->name), "a number with one unit",
                  "either the field has a \"unit\", or one unit field stands in the reply");
    for (const Unit unit : said)
      if (quantity_of(unit) != quantity) {
        faults_.add(place, in_quotes(field->name), "units of " + std::string(nightwell::name(quantity)));
        break;
      }
  }

  void check_target_field() {
    const auto found = out_.names.find("set_target");
    if (found == out_.names.end()) return;
    for (const Part& part : out_.commands[found->second].send)
      if (const auto* index = std::get_if<std::size_t>(&part))
        if (const auto* number = std::get_if<NumberField>(&out_.fields[*index].kind))
          if (!number->unit || quantity_of(*number->unit) != Quantity::temperature)
            faults_.add(places_[found->second] / "send", "{" + out_.fields[*index].name + "}",
                        "a number field whose \"unit\" is a temperature's");
  }

  ObjectReader& root_;
  FaultList& faults_;
  Dialect out_;
  std::vector<Place> places_;  // of commands
  std::vector<ReadingWay> ways_;
  std::set<std::string> used_, with_number_;
  bool commands_known_ = false;
};

}  // namespace

Dialect read_dialect(const nlohmann::json& document, const std::string& file, FaultList& faults) {
  ObjectReader root(document, Place{file, ""}, faults);
  const std::size_t length = document.dump(-1, ' ', true, nlohmann::json::error_handler_t::replace).size();
  if (length > longest_dialect)
    faults.add({file, ""}, std::to_string(length) + " characters without blanks",
               "at most " + std::to_string(longest_dialect), "it goes into the journal as one record");
  Dialect out = Reader(root, faults).read();
  return out;
}

Result<std::shared_ptr<const Dialect>> dialect_from(std::string_view json) {
  const plan::Json document = plan::Json::parse(json, nullptr, false);
  FaultList faults(1);
  Dialect dialect;
  if (document.is_discarded())
    faults.add({"dialect", ""}, "text that is no JSON", "a dialect");
  else
    dialect = read_dialect(document, "dialect", faults);
  if (!faults.empty()) return plan::first_fault(std::move(faults), "reading a dialect");
  return std::shared_ptr<const Dialect>(std::make_shared<Dialect>(std::move(dialect)));
}

}  // namespace nightwell::dialect
