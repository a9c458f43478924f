#include "plan/tolerance_json.hpp"

#include "plan/object_reader.hpp"

namespace nightwell::plan {

namespace {

using thermometry::OwnTolerance;
using thermometry::Tolerance;

const Words<std::string>& standards() {
  static const Words<std::string> words{{"IEC 60584-1", "IEC 60584-1"},
                                        {"ASTM E230", "ASTM E230"},
                                        {"IEC 60751", "IEC 60751"},
                                        {"ASTM E1137", "ASTM E1137"}};
  return words;
}

const Words<std::string>& builds() {
  static const Words<std::string> words{{"wire_wound", "wire_wound"}, {"film", "film"}};
  return words;
}

std::optional<thermometry::ThermocoupleType> type_of(const thermometry::SensorModel& model) {
  if (const auto* thermocouple = std::get_if<thermometry::Thermocouple>(&model)) return thermocouple->type;
  return std::nullopt;
}

std::optional<Tolerance> read_own(ObjectReader& reader) {
  const auto constant_k = reader.number("constant_k", {0, 1000, "K"});
  const auto fraction = reader.number_if("fraction_of_t", {0, 1, ""});
  reader.finish();
  if (!constant_k) return std::nullopt;
  const OwnTolerance own{*constant_k, fraction.value_or(0)};
  if (own.constant_k > 0 || own.fraction_of_t > 0) return own;
  reader.refuse("constant_k", "above 0, or a fraction_of_t above 0");
  return std::nullopt;
}

}  // namespace

std::optional<Tolerance> read_tolerance(ObjectReader& reader, const thermometry::SensorModel& model) {
  if (reader.has("constant_k") || !reader.has("standard")) return read_own(reader);
  thermometry::ToleranceWords words;
  const auto standard = reader.word("standard", standards());
  const auto grade = reader.text("class", 20);
  if (standard == "IEC 60751")
    words.build = reader.word("build", builds()).value_or("");
  else
    reader.unused("build", "only classes of IEC 60751 depend on it");
  reader.finish();
  if (!standard || !grade || (*standard == "IEC 60751" && words.build.empty())) return std::nullopt;
  words.standard = *standard;
  words.grade = *grade;
  auto found = thermometry::tolerance(words, type_of(model));
  if (found) return *std::move(found);
  reader.refuse("class", "a class that " + words.standard + " has for this sensor", found.error().detail);
  return std::nullopt;
}

nlohmann::ordered_json tolerance_json(const Tolerance& tolerance) {
  if (const auto* own = std::get_if<OwnTolerance>(&tolerance))
    return {{"constant_k", own->constant_k}, {"fraction_of_t", own->fraction_of_t}};
  const auto words = thermometry::words(tolerance).value_or(thermometry::ToleranceWords{});
  nlohmann::ordered_json out{{"standard", words.standard}, {"class", words.grade}};
  if (!words.build.empty()) out["build"] = words.build;
  return out;
}

Result<Tolerance> tolerance_from_json(const nlohmann::ordered_json& json, const thermometry::SensorModel& model) {
  FaultList faults(1);
  const Json plain = json;
  ObjectReader reader(plain, {"", ""}, faults);
  auto tolerance = read_tolerance(reader, model);
  if (tolerance && faults.empty()) return *std::move(tolerance);
  return first_fault(std::move(faults), "reading a tolerance");
}

}  // namespace nightwell::plan
