#include "plan/sensor_json.hpp"

#include <string>

#include "plan/object_reader.hpp"
#include "thermometry/sprt.hpp"
#include "thermometry/thermistor_polynomial.hpp"

namespace nightwell::plan {

namespace {

using namespace thermometry;  // NOLINT: this file is about its types only

enum class Kind { thermocouple, platinum, sprt, thermistor, current_transmitter, indicated };

const Words<Kind> kinds = {{"thermocouple", Kind::thermocouple},
                           {"platinum", Kind::platinum},
                           {"sprt", Kind::sprt},
                           {"thermistor", Kind::thermistor},
                           {"current_transmitter", Kind::current_transmitter},
                           {"indicated", Kind::indicated}};

constexpr std::size_t most_deviation_coefficients = 16;
constexpr std::size_t most_sprt_coefficients = 7;  // subrange 1 of ITS-90
constexpr double at_triple_point = 1;              // W there: every subrange has a deviation, if only of zero
constexpr Range resistance{0.01, 1e5, "ohm"};
constexpr Range coefficient{-1e12, 1e12};
constexpr Range small{-1, 1};
constexpr Range temperature{-273.15, 3000, "°C"};
constexpr Range current{-1, 1, "A"};

std::optional<SensorModel> read_thermocouple(ObjectReader& reader) {
  Words<ThermocoupleType> types;
  for (const char letter : std::string_view("ABCEJKNRST"))
    if (const auto type = thermocouple_type(std::string(1, letter))) types.emplace_back(std::string(1, letter), *type);
  const auto type = reader.word("type", types);
  std::optional<std::vector<double>> deviation_uv = std::vector<double>{};
  if (reader.has("deviation_uv"))
    deviation_uv = reader.numbers("deviation_uv", 0, most_deviation_coefficients, coefficient);
  if (!type || !deviation_uv) return std::nullopt;
  return Thermocouple{*type, *deviation_uv};
}

std::optional<SensorModel> read_platinum(ObjectReader& reader) {
  const auto r0_ohm = reader.number("r0_ohm", resistance);
  bool own = false;
  for (const char* key : {"a_per_c", "b_per_c2", "c_per_c4"}) own = reader.has(key) || own;
  Platinum out;
  if (own) {
    const auto a = reader.number("a_per_c", {0, 1, "", true});
    const auto b = reader.number("b_per_c2", small);
    const auto c = reader.number("c_per_c4", small);
    if (!a || !b || !c) return std::nullopt;
    out.a_per_c = *a;
    out.b_per_c2 = *b;
    out.c_per_c4 = *c;
  }
  if (!r0_ohm) return std::nullopt;
  out.r0_ohm = *r0_ohm;
  return out;
}

// `sound` becomes false where the side stands but is wrong.
std::optional<SprtSubrange> read_side(ObjectReader& reader, const std::string& key, int low, int high, bool& sound) {
  if (!reader.has(key)) return std::nullopt;
  auto side = reader.object(key);
  sound = sound && side;
  if (!side) return std::nullopt;
  const auto number = side->whole("subrange", low, high);
  const auto coefficients = side->numbers("coefficients", 1, most_sprt_coefficients, coefficient);
  side->finish();
  sound = sound && number && coefficients;
  if (!number || !coefficients) return std::nullopt;
  SprtSubrange out{*number, *coefficients};
  if (const auto complete = thermometry::deviation(out, 1.0); !complete) {
    sound = false;
    side->refuse("coefficients", "as many as its subrange has", complete.error().text());
  }
  return out;
}

std::optional<SensorModel> read_sprt(ObjectReader& reader) {
  bool sound = true;
  const auto r_tpw_ohm = reader.number("r_tpw_ohm", resistance);
  auto below = read_side(reader, "below", 1, 5, sound);
  auto above = read_side(reader, "above", 5, 11, sound);
  if (sound && !below && !above) {
    reader.refuse("below", "a side below or above the triple point of water, or both");
    sound = false;
  }
  if (!r_tpw_ohm || !sound) return std::nullopt;
  return Sprt{*r_tpw_ohm, std::move(below), std::move(above)};
}

// True where both are there and in order; a wrong order is a fault at `high_key`.
bool in_order(ObjectReader& reader, const std::optional<double>& low, const std::optional<double>& high,
              const char* low_key, const char* high_key) {
  if (!low || !high) return false;
  if (*low < *high) return true;
  reader.refuse(high_key, "above " + std::string(low_key) + ", " + shortest(*low));
  return false;
}

// Resistance falls with temperature over the whole range, or this is no thermometer: said here, not at night.
std::optional<SensorModel> falling(ObjectReader& reader, const char* key, SensorModel model) {
  const TemperatureSpan range = span(model);
  for (const double end_c : {range.low_c, range.high_c})
    if (const auto slope = sensitivity_per_k(model, end_c); !slope) {
      reader.refuse(key, "coefficients by which the resistance falls from low_c to high_c", slope.error().text());
      return std::nullopt;
    }
  return model;
}

// Of either equation; a, b and c stand for Steinhart–Hart, `coefficients` for the polynomial.
std::optional<SensorModel> read_thermistor(ObjectReader& reader) {
  const bool polynomial = reader.has("coefficients");
  std::optional<double> a, b, c;
  std::optional<std::vector<double>> coefficients;
  if (polynomial) {
    coefficients =
        reader.numbers("coefficients", lowest_thermistor_degree + 1, highest_thermistor_degree + 1, coefficient);
    for (const char* key : {"a", "b", "c"}) reader.unused(key, "coefficients stand beside it: give one of the two");
  } else {
    a = reader.number("a", small), b = reader.number("b", small), c = reader.number("c", small);
  }
  const auto low_c = reader.number("low_c", temperature), high_c = reader.number("high_c", temperature);
  if (!in_order(reader, low_c, high_c, "low_c", "high_c")) return std::nullopt;
  if (coefficients) return falling(reader, "coefficients", ThermistorPolynomial{*coefficients, *low_c, *high_c});
  if (a && b && c) return falling(reader, "b", Thermistor{*a, *b, *c, *low_c, *high_c});
  return std::nullopt;
}

std::optional<SensorModel> read_transmitter(ObjectReader& reader) {
  const auto low_c = reader.number("low_c", temperature), high_c = reader.number("high_c", temperature);
  const auto low_a = reader.number("low_a", current), high_a = reader.number("high_a", current);
  const bool temperatures = in_order(reader, low_c, high_c, "low_c", "high_c");
  const bool currents = in_order(reader, low_a, high_a, "low_a", "high_a");
  if (!temperatures || !currents) return std::nullopt;
  return CurrentTransmitter{*low_c, *high_c, *low_a, *high_a};
}

std::optional<SensorModel> read_kind(Kind kind, ObjectReader& reader) {
  switch (kind) {
    case Kind::thermocouple: return read_thermocouple(reader);
    case Kind::platinum: return read_platinum(reader);
    case Kind::sprt: return read_sprt(reader);
    case Kind::thermistor: return read_thermistor(reader);
    case Kind::current_transmitter: return read_transmitter(reader);
    case Kind::indicated: return Indicated{};
  }
  return std::nullopt;
}

struct Writer {
  using Out = nlohmann::ordered_json;

  Out operator()(const Thermocouple& m) const {
    return {{"kind", "thermocouple"}, {"type", std::string(1, letter(m.type))}, {"deviation_uv", m.deviation_uv}};
  }
  Out operator()(const Platinum& m) const {
    return {{"kind", "platinum"},
            {"r0_ohm", m.r0_ohm},
            {"a_per_c", m.a_per_c},
            {"b_per_c2", m.b_per_c2},
            {"c_per_c4", m.c_per_c4}};
  }
  Out operator()(const Sprt& m) const {
    Out out = {{"kind", "sprt"}, {"r_tpw_ohm", m.r_tpw_ohm}};
    if (m.below) out["below"] = side(*m.below);
    if (m.above) out["above"] = side(*m.above);
    return out;
  }
  Out operator()(const Thermistor& m) const {
    return {{"kind", "thermistor"}, {"a", m.a}, {"b", m.b}, {"c", m.c}, {"low_c", m.low_c}, {"high_c", m.high_c}};
  }
  Out operator()(const ThermistorPolynomial& m) const {
    return {{"kind", "thermistor"}, {"coefficients", m.coefficients}, {"low_c", m.low_c}, {"high_c", m.high_c}};
  }
  Out operator()(const CurrentTransmitter& m) const {
    return {{"kind", "current_transmitter"},
            {"low_c", m.low_c},
            {"high_c", m.high_c},
            {"low_a", m.low_a},
            {"high_a", m.high_a}};
  }
  Out operator()(const Indicated&) const { return {{"kind", "indicated"}}; }

  static Out side(const SprtSubrange& part) { return {{"subrange", part.number}, {"coefficients", part.coefficients}}; }
};

}  // namespace

nlohmann::ordered_json model_json(const SensorModel& model) {
  return std::visit(Writer{}, model);
}

std::optional<SensorModel> read_model(ObjectReader& reader) {
  const auto kind = reader.word("kind", kinds);
  // What else may stand depends on the kind: without it nothing more can be said.
  if (!kind) return std::nullopt;
  auto model = read_kind(*kind, reader);
  reader.finish();
  return model;
}

Result<SensorModel> model_from_json(const nlohmann::ordered_json& json) {
  FaultList faults(1);
  const Json value = json;
  ObjectReader reader(value, {"", ""}, faults);
  auto model = read_model(reader);
  if (model && faults.empty()) return *std::move(model);
  return first_fault(std::move(faults), "reading a sensor model");
}

}  // namespace nightwell::plan
