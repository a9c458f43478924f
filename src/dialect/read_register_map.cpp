#include "dialect/read_register_map.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>

namespace nightwell::dialect {

namespace {

using plan::FaultList;
using plan::in_quotes;
using plan::ObjectReader;
using plan::Place;
using plan::Words;

constexpr std::size_t most_register_steps = 8;
constexpr int last_address = 65535;

bool is_bit(Table table) {
  return table == Table::coil || table == Table::discrete;
}

Words<Table> tables(std::initializer_list<Table> wanted) {
  static const Words<Table> all = {
      {"coil", Table::coil}, {"discrete", Table::discrete}, {"input", Table::input}, {"holding", Table::holding}};
  Words<Table> out;
  for (const auto& one : all)
    if (std::find(wanted.begin(), wanted.end(), one.second) != wanted.end()) out.push_back(one);
  return out;
}

const Words<Unit>& temperature_units() {
  static const Words<Unit> words = {
      {"celsius", Unit::celsius}, {"fahrenheit", Unit::fahrenheit}, {"kelvin", Unit::kelvin}};
  return words;
}

struct RawRange {
  double low = 0, high = 0;
};

RawRange raw_range(NumberType type) {
  switch (type) {
    case NumberType::int16: return {-32768, 32767};
    case NumberType::uint16: return {0, 65535};
    case NumberType::int32: return {-2147483648.0, 2147483647.0};
    case NumberType::uint32: return {0, 4294967295.0};
    case NumberType::float32: break;
  }
  return {-1e30, 1e30};
}

class MapReader {
 public:
  MapReader(ObjectReader& root, FaultList& faults, Dialect& dialect)
      : root_(root), faults_(faults), dialect_(dialect) {}

  void read() {
    for (const char* key : {"line", "fields", "refused", "set_aside", "commands"})
      root_.unused(key, "registers have none; \"modbus\" says it all");
    RegisterMap map;
    if (auto modbus = root_.object("modbus")) read_map(*modbus, map);
    map.start_up = read_steps("start_up", false, map);
    map.park = read_steps("park", true, map);
    dialect_.registers = std::move(map);
  }

 private:
  // ---- the map ----

  void read_map(ObjectReader& modbus, RegisterMap& map) {
    static const Words<Framing> framings = {{"rtu", Framing::rtu}, {"tcp", Framing::tcp}};
    const auto framing = modbus.word("framing", framings);
    map.framing = framing.value_or(Framing::rtu);
    read_unit_id(modbus, framing, map);
    if (const auto gap = modbus.number_if("pause_ms", {0, 500, "ms"})) dialect_.line.gap = from_seconds(*gap / 1000);
    if (const auto quiet = modbus.number_if("quiet_ms", {10, 10'000, "ms"}))
      dialect_.line.quiet = from_seconds(*quiet / 1000);
    if (framing == Framing::tcp)
      modbus.unused("echo", "a network repeats nothing");
    else
      dialect_.line.echoes = modbus.truth_if("echo").value_or(false);
    if (auto identity = modbus.object("identity")) map.identity = read_identity(*identity);
    auto temperature = modbus.object("temperature");
    if (temperature) map.temperature = read_number(*temperature);
    if (auto value = modbus.object("target")) map.target = read_number(*value);
    if (auto value = modbus.object("set_target")) map.set_target = read_number_setting(*value);
    if (auto value = modbus.object("output")) map.output = read_state(*value);
    if (auto value = modbus.object("set_output")) map.set_output = read_state_setting(*value);
    if (temperature && modbus.has("target") && modbus.has("set_target")) check_own(*temperature, map);
    heating_known_ =
        modbus.has("target") && modbus.has("set_target") && modbus.has("output") && modbus.has("set_output");
    modbus.finish();
  }

  static bool share(const RegisterNumber& one, const RegisterNumber& other) {
    return one.at.table == other.at.table && one.at.address < other.at.address + registers_of(other.type) &&
           other.at.address < one.at.address + registers_of(one.type);
  }
  static void check_own(ObjectReader& temperature, const RegisterMap& map) {
    if (share(map.temperature, map.target) || share(map.temperature, map.set_target.number))
      temperature.refuse("address", "a register other than the target's",
                         "a temperature that shows the setpoint hides a source that runs away");
  }

  void read_unit_id(ObjectReader& modbus, std::optional<Framing> framing, RegisterMap& map) {
    const auto unit = modbus.whole("unit_id", 0, 255);
    if (!unit) return;
    map.unit = *unit;
    const bool addressed = *unit >= 1 && *unit <= 247;
    if (!addressed && framing != Framing::tcp) modbus.refuse("unit_id", "1 to 247", "0 is everybody on the line");
    if (!addressed && framing == Framing::tcp && *unit != 0 && *unit != 255)
      modbus.refuse("unit_id", "1 to 247, or 0 or 255 for a device that is no gateway");
  }

  std::optional<RegisterAddress> read_address(ObjectReader& reader, std::initializer_list<Table> allowed,
                                              int registers = 1) {
    const auto table = reader.word("table", tables(allowed));
    const auto address = read_plain_address(reader, registers);
    if (!table || !address) return std::nullopt;
    return RegisterAddress{*table, *address};
  }

  std::optional<int> read_plain_address(ObjectReader& reader, int registers) {
    const auto address = reader.whole("address", 0, last_address);
    if (address && *address + registers - 1 > last_address)
      reader.refuse("address", "an address whose last register is at most 65535");
    return address;
  }

  // ---- identity ----

  RegisterIdentity read_identity(ObjectReader& reader) {
    enum class Show { text, numbers };
    static const Words<Show> shows = {{"text", Show::text}, {"numbers", Show::numbers}};
    RegisterIdentity out;
    const auto show = reader.word("show", shows);
    if (show == Show::text)
      out.count = reader.whole("registers", 1, 32).value_or(1);
    else if (show == Show::numbers)
      out.numbers = read_named(reader);
    else
      (void)reader.has("registers");
    if (show == Show::numbers) out.count = std::max<int>(1, static_cast<int>(out.numbers.size()));
    out.at = read_address(reader, {Table::input, Table::holding}, out.count).value_or(RegisterAddress());
    reader.finish();
    return out;
  }

  std::vector<NamedRegister> read_named(ObjectReader& reader) {
    std::vector<NamedRegister> out;
    const auto list = reader.list("registers", 1, 16);
    if (!list) return out;
    bool any = false;
    for (const auto& [value, place] : *list) {
      ObjectReader one(value, place, faults_);
      NamedRegister named;
      named.name = one.text("name", 40).value_or("");
      if (one.has("is")) named.is = one.whole("is", 0, 65535), any = true;
      one.finish();
      out.push_back(std::move(named));
    }
    if (!any)
      reader.refuse("registers", "at least one with \"is\"",
                    "a register that must show a certain value tells this instrument from others");
    return out;
  }

  // ---- numbers ----

  static const Words<NumberType>& number_types() {
    static const Words<NumberType> words = {{"int16", NumberType::int16},
                                            {"uint16", NumberType::uint16},
                                            {"int32", NumberType::int32},
                                            {"uint32", NumberType::uint32},
                                            {"float32", NumberType::float32}};
    return words;
  }

  // Everything but table and address.
  RegisterNumber read_scale(ObjectReader& reader, std::optional<NumberType> type) {
    static const Words<bool> orders = {{"high_first", false}, {"low_first", true}};
    RegisterNumber out;
    out.type = type.value_or(NumberType::int16);
    if (type && registers_of(*type) == 2)
      out.low_word_first = reader.word("word_order", orders).value_or(false);
    else if (type)
      reader.unused("word_order", "it is one register");
    else
      (void)reader.has("word_order");
    out.factor = reader.number_if("factor", {-1e9, 1e9, ""}).value_or(1);
    if (out.factor == 0) reader.refuse("factor", "a number other than 0");
    out.offset = reader.number_if("offset", {-1e9, 1e9, ""}).value_or(0);
    out.unit = reader.word("unit", temperature_units()).value_or(Unit::celsius);
    return out;
  }

  RegisterNumber read_number(ObjectReader& reader) {
    const auto type = reader.word("type", number_types());
    RegisterNumber out = read_scale(reader, type);
    if (const auto at = read_address(reader, {Table::input, Table::holding}, registers_of(out.type))) out.at = *at;
    if (type == NumberType::float32)
      reader.unused("no_number", "a float32 has NaN for it");
    else if (const auto words = reader.members_if("no_number", 1, 16))
      out.no_number = read_no_number(*words, out.type);
    reader.finish();
    return out;
  }

  std::vector<std::pair<std::int64_t, Errc>> read_no_number(const std::vector<ObjectReader::Member>& members,
                                                            NumberType type) {
    std::vector<std::pair<std::int64_t, Errc>> out;
    const RawRange range = raw_range(type);
    for (const auto& [text, value, place] : members) {
      std::int64_t raw = 0;
      const auto [end, problem] = std::from_chars(text.data(), text.data() + text.size(), raw);
      const bool whole = problem == std::errc{} && end == text.data() + text.size() && text == std::to_string(raw) &&
                         text.size() <= 11;
      if (!whole)
        faults_.add(place, "the name " + in_quotes(text), "a whole number: the raw value, its sign and its digits");
      else if (static_cast<double>(raw) < range.low || static_cast<double>(raw) > range.high)
        faults_.add(place, "the name " + in_quotes(text), "a raw value of this type");
      if (value != "open_sensor" && value != "overload")
        faults_.add(place, plan::shown(value), plan::one_of({"open_sensor", "overload"}));
      else
        out.emplace_back(raw, value == "open_sensor" ? Errc::open_sensor : Errc::overload);
    }
    return out;
  }

  NumberSetting read_number_setting(ObjectReader& reader) {
    NumberSetting out;
    const auto type = reader.word("type", number_types());
    out.number = read_scale(reader, type);
    const int registers = registers_of(out.number.type);
    out.number.at = RegisterAddress{Table::holding, read_plain_address(reader, registers).value_or(0)};
    out.function = read_function(reader, registers == 2 ? WriteFunction::multiple : WriteFunction::single);
    if (registers == 2 && out.function == WriteFunction::single)
      reader.refuse("function", "16", "one register at a time would leave a setpoint that nobody asked for");
    reader.finish();
    check_limits(reader, out.number);
    return out;
  }

  void check_limits(ObjectReader& reader, const RegisterNumber& number) {
    if (number.factor == 0) return;
    const RawRange range = raw_range(number.type);
    for (const auto& limit : {dialect_.lowest_c, dialect_.highest_c}) {
      if (!limit) continue;
      const double raw = std::round((from_base(*limit, number.unit) - number.offset) / number.factor);
      if (raw < range.low || raw > range.high)
        faults_.add(reader.place("type"), "a type that cannot carry " + plan::shortest(*limit) + " °C",
                    "a type that can carry the limits of this dialect");
    }
  }

  WriteFunction read_function(ObjectReader& reader, WriteFunction otherwise) {
    if (!reader.has("function")) return otherwise;
    const auto function = reader.whole("function", 6, 16);
    if (function && *function != 6 && *function != 16) reader.refuse("function", "6 or 16");
    return function == 16 ? WriteFunction::multiple : WriteFunction::single;
  }

  // ---- states ----

  std::vector<int> read_states(ObjectReader& reader, const char* key, bool bit) {
    std::vector<int> out;
    const auto list = reader.list(key, 1, 8);
    if (!list) return out;
    const int highest = bit ? 1 : 65535;
    for (const auto& [value, place] : *list) {
      const bool whole = value.is_number() && std::floor(value.get<double>()) == value.get<double>();
      if (!whole || value.get<double>() < 0 || value.get<double>() > highest)
        faults_.add(place, plan::shown(value), "a whole number, 0 to " + std::to_string(highest));
      else
        out.push_back(static_cast<int>(value.get<double>()));
    }
    return out;
  }

  unsigned read_mask(ObjectReader& reader, bool bit) {
    if (bit) {
      reader.unused("mask", "it is one bit");
      return 1;
    }
    return reader.has("mask") ? static_cast<unsigned>(reader.whole("mask", 1, 65535).value_or(65535)) : 0xFFFFU;
  }

  RegisterState read_state(ObjectReader& reader) {
    RegisterState out;
    if (const auto at = read_address(reader, {Table::coil, Table::discrete, Table::input, Table::holding}))
      out.at = *at;
    const bool bit = is_bit(out.at.table);
    out.on = read_states(reader, "on", bit);
    out.off = read_states(reader, "off", bit);
    out.mask = read_mask(reader, bit);
    for (const int value : out.on)
      if (std::find(out.off.begin(), out.off.end(), value) != out.off.end())
        reader.refuse("off", "values that mean only one thing: each stands once");
    for (const char* key : {"on", "off"})
      for (const int value : key == std::string_view("on") ? out.on : out.off)
        if ((static_cast<unsigned>(value) & ~out.mask) != 0)
          reader.refuse(key, "values inside the bits of the mask", "no other can ever be seen");
    reader.finish();
    return out;
  }

  StateSetting read_state_setting(ObjectReader& reader) {
    StateSetting out;
    if (const auto at = read_address(reader, {Table::coil, Table::holding})) out.at = *at;
    const bool bit = is_bit(out.at.table);
    const auto on = reader.whole("on", 0, bit ? 1 : 65535), off = reader.whole("off", 0, bit ? 1 : 65535);
    out.on = on.value_or(1), out.off = off.value_or(0);
    if (on && off && *on == *off) reader.refuse("off", "another value than \"on\" has");
    out.function = read_write_function(reader, bit);
    reader.finish();
    return out;
  }

  WriteFunction read_write_function(ObjectReader& reader, bool bit) {
    if (!bit) return read_function(reader, WriteFunction::single);
    reader.unused("function", "a coil is written with function 5");
    return WriteFunction::single;
  }

  // ---- steps ----

  std::vector<RegisterStep> read_steps(const std::string& key, bool parking, const RegisterMap& map) {
    std::vector<RegisterStep> out;
    if (!root_.has(key)) return out;
    const auto list = root_.list(key, 1, most_register_steps);
    if (!list) return out;
    for (const auto& [value, place] : *list) {
      ObjectReader reader(value, place, faults_);
      out.push_back(read_step(reader));
      if (heating_known_) check_cold(reader, out.back(), parking, map);
    }
    return out;
  }

  RegisterStep read_step(ObjectReader& reader) {
    RegisterStep step;
    if (const auto at = read_address(reader, {Table::coil, Table::holding})) step.at = *at;
    const bool bit = is_bit(step.at.table);
    step.value = reader.whole("value", 0, bit ? 1 : 65535).value_or(0);
    step.function = read_write_function(reader, bit);
    step.proof = step.at;
    step.shown = step.value;
    step.mask = bit ? 1U : 0xFFFFU;
    if (auto proof = reader.has("proved_by") ? reader.object("proved_by") : std::nullopt) read_proof(*proof, step);
    reader.finish();
    return step;
  }

  void read_proof(ObjectReader& reader, RegisterStep& step) {
    if (const auto at = read_address(reader, {Table::coil, Table::discrete, Table::input, Table::holding}))
      step.proof = *at;
    const bool bit = is_bit(step.proof.table);
    step.shown = reader.whole("is", 0, bit ? 1 : 65535).value_or(0);
    step.mask = read_mask(reader, bit);
    if ((static_cast<unsigned>(step.shown) & ~step.mask) != 0)
      reader.refuse("is", "a value inside the bits of the mask", "no other can ever be seen");
    reader.finish();
  }

  // A step that wrote the setpoint or switched the output on would heat behind the guardian's back.
  void check_cold(ObjectReader& reader, const RegisterStep& step, bool parking, const RegisterMap& map) {
    RegisterNumber written;
    written.at = step.at;
    const bool sets_target = share(written, map.set_target.number) || share(written, map.target);
    const bool switches = step.at == map.set_output.at && !(parking && step.value == map.set_output.off);
    const unsigned shown = static_cast<unsigned>(step.value) & map.output.mask;
    const auto& off = map.output.off;
    const bool shows_on =
        step.at == map.output.at && std::find(off.begin(), off.end(), static_cast<int>(shown)) == off.end();
    if (sets_target || switches || shows_on)
      reader.refuse("address", "a register that does not heat",
                    "steps never heat: this one is the setpoint's or the output's");
  }

  ObjectReader& root_;
  FaultList& faults_;
  Dialect& dialect_;
  bool heating_known_ = false;
};

}  // namespace

void read_register_map(ObjectReader& root, FaultList& faults, Dialect& dialect) {
  MapReader(root, faults, dialect).read();
}

}  // namespace nightwell::dialect
