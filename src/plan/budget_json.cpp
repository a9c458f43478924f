#include "plan/budget_json.hpp"

#include "plan/object_reader.hpp"

namespace nightwell::plan {

namespace {

using uncertainty::Effect;
using uncertainty::Effects;
using uncertainty::LabBudget;
using uncertainty::RuleKind;
using uncertainty::Shape;

constexpr std::size_t most_effects = 50, most_names = 1000;
constexpr Quantity quantities[] = {Quantity::voltage, Quantity::resistance, Quantity::current, Quantity::temperature};

const Words<Shape>& wide_shapes() {
  static const Words<Shape> words{
      {"rectangular", Shape::rectangular}, {"triangular", Shape::triangular}, {"u_shaped", Shape::u_shaped}};
  return words;
}

const Words<RuleKind>& rules() {
  static const Words<RuleKind> words{{"simple_acceptance", RuleKind::simple_acceptance},
                                     {"guard_band", RuleKind::guard_band},
                                     {"largest_risk", RuleKind::largest_risk}};
  return words;
}

// "v", "ohm", "a" where a scanner's readings are meant; kelvin everywhere else.
std::string suffix_of(Quantity quantity) {
  return quantity == Quantity::temperature ? "k" : std::string(unit_suffix(quantity));
}

// Whose channels may share an effect.
enum class Whose { a_scanner, anything_else };

void read_common(ObjectReader& reader, Whose whose, Effect& effect) {
  if (whose != Whose::a_scanner)
    return reader.unused("common_to_channels", "only an effect of a scanner has channels that may share it");
  effect.common_to_channels = reader.truth_if("common_to_channels").value_or(false);
  if (effect.common_to_channels && effect.constant > 0 && effect.of_reading > 0)
    reader.refuse("common_to_channels", "true for an offset (of_reading 0) or a gain (the other 0)",
                  "one error that channels share is one of the two: give both as two effects");
}

Effect read_effect(const Json& value, const Place& place, const std::string& unit, Whose whose, FaultList& faults) {
  ObjectReader reader(value, place, faults);
  Effect out;
  out.name = reader.text("name").value_or("");
  const std::string width = "half_width_" + unit, standard = "standard_" + unit;
  const Range amount{0, 1e6, unit.c_str()};
  if (reader.has(standard)) {
    out.shape = Shape::normal;
    out.constant = reader.number(standard, amount).value_or(0);
    out.degrees_of_freedom = reader.number_if("degrees_of_freedom", {1, 1e9, ""});
    reader.unused(width, "it stands beside " + standard + ": give one of them");
    reader.unused("shape", "a standard uncertainty is normal");
  } else {
    out.constant = reader.number(width, amount).value_or(0);
    out.shape = reader.word("shape", wide_shapes()).value_or(Shape::rectangular);
    reader.unused("degrees_of_freedom", "limits have none: give " + standard);
  }
  out.of_reading = reader.number_if("of_reading", {0, 1, ""}).value_or(0);
  out.each_year = reader.truth_if("each_year").value_or(false);
  read_common(reader, whose, out);
  out.source = reader.text("source").value_or("");
  reader.finish();
  return out;
}

Effects read_effects(ObjectReader& reader, const std::string& key, const std::string& unit,
                     Whose whose = Whose::anything_else) {
  Effects out;
  if (!reader.has(key)) return out;
  const auto list = reader.list(key, 0, most_effects);
  if (!list) return out;
  for (const auto& [value, place] : *list) out.push_back(read_effect(value, place, unit, whose, reader.faults()));
  return out;
}

// Of a scanner in the units of its readings, of anything else in kelvin.
std::map<Quantity, Effects> read_by_quantity(ObjectReader& reader, Whose whose) {
  std::map<Quantity, Effects> out;
  for (const Quantity quantity : quantities) {
    const std::string unit = whose == Whose::a_scanner ? suffix_of(quantity) : "k";
    auto effects = read_effects(reader, std::string(name(quantity)), unit, whose);
    if (!effects.empty()) out.emplace(quantity, std::move(effects));
  }
  reader.finish();
  return out;
}

std::map<std::string, Effects> read_named(ObjectReader& reader, const std::string& key) {
  std::map<std::string, Effects> out;
  const auto members = reader.members_if(key, 0, most_names);
  if (!members) return out;
  auto lists = reader.object_if(key);
  for (const auto& member : *members) out.emplace(member.name, read_effects(*lists, member.name, "k"));
  return out;
}

void read_rule(ObjectReader& reader, LabBudget& budget) {
  auto rule = reader.object("decision");
  if (!rule) return;
  budget.rule.kind = rule->word("rule", rules()).value_or(budget.rule.kind);
  if (budget.rule.kind == RuleKind::largest_risk)
    budget.rule.largest_risk = rule->number("risk", {0, 0.5, "", true}).value_or(budget.rule.largest_risk);
  else
    rule->unused("risk", "only rule \"largest_risk\" has one");
  budget.rule_source = rule->text("source").value_or("");
  rule->finish();
}

nlohmann::ordered_json effects_json(const Effects& effects, const std::string& unit) {
  auto out = nlohmann::ordered_json::array();
  for (const Effect& effect : effects) out.push_back(effect_json(effect, unit));
  return out;
}

nlohmann::ordered_json by_quantity_json(const std::map<Quantity, Effects>& all, bool kelvin) {
  auto out = nlohmann::ordered_json::object();
  for (const auto& [quantity, effects] : all)
    out[std::string(name(quantity))] = effects_json(effects, kelvin ? "k" : suffix_of(quantity));
  return out;
}

nlohmann::ordered_json named_json(const std::map<std::string, Effects>& all) {
  auto out = nlohmann::ordered_json::object();
  for (const auto& [name, effects] : all) out[name] = effects_json(effects, "k");
  return out;
}

}  // namespace

uncertainty::LabBudget read_budget(ObjectReader& reader) {
  LabBudget out;
  (void)reader.has("format");  // judged before
  out.coverage = reader.number("coverage", {0.5, 0.9999, ""}).value_or(out.coverage);
  read_rule(reader, out);
  if (const auto scanners = reader.members_if("scanners", 0, most_names))
    for (const auto& scanner : *scanners) {
      ObjectReader each(scanner.value, scanner.place, reader.faults());
      out.scanners.emplace(scanner.name, read_by_quantity(each, Whose::a_scanner));
    }
  out.sources = read_named(reader, "sources");
  out.references = read_effects(reader, "references", "k");
  out.items = read_effects(reader, "items", "k");
  out.junctions = read_effects(reader, "junctions", "k");
  if (auto measuring = reader.object_if("items_that_measure"))
    out.items_that_measure = read_by_quantity(*measuring, Whose::anything_else);
  out.sensors = read_named(reader, "sensors");
  reader.finish();
  return out;
}

nlohmann::ordered_json effect_json(const Effect& effect, const std::string& unit) {
  nlohmann::ordered_json out{{"name", effect.name}};
  if (effect.shape == Shape::normal) {
    out["standard_" + unit] = effect.constant;
    if (effect.degrees_of_freedom) out["degrees_of_freedom"] = *effect.degrees_of_freedom;
  } else {
    out["half_width_" + unit] = effect.constant;
    out["shape"] = name(effect.shape);
  }
  if (effect.of_reading != 0) out["of_reading"] = effect.of_reading;
  if (effect.each_year) out["each_year"] = true;
  if (effect.common_to_channels) out["common_to_channels"] = true;
  out["source"] = effect.source;
  return out;
}

nlohmann::ordered_json budget_json(const LabBudget& budget) {
  nlohmann::ordered_json rule{{"rule", name(budget.rule.kind)}};
  if (budget.rule.kind == RuleKind::largest_risk) rule["risk"] = budget.rule.largest_risk;
  rule["source"] = budget.rule_source;
  auto scanners = nlohmann::ordered_json::object();
  for (const auto& [name, effects] : budget.scanners) scanners[name] = by_quantity_json(effects, false);
  return {{"format", budget_format},
          {"coverage", budget.coverage},
          {"decision", std::move(rule)},
          {"scanners", std::move(scanners)},
          {"sources", named_json(budget.sources)},
          {"references", effects_json(budget.references, "k")},
          {"items", effects_json(budget.items, "k")},
          {"junctions", effects_json(budget.junctions, "k")},
          {"items_that_measure", by_quantity_json(budget.items_that_measure, true)},
          {"sensors", named_json(budget.sensors)}};
}

Result<LabBudget> budget_from_json(const nlohmann::ordered_json& json) {
  FaultList faults(1);
  const Json plain = json;
  ObjectReader reader(plain, {"", ""}, faults);
  LabBudget out = read_budget(reader);
  if (faults.empty()) return out;
  return first_fault(std::move(faults), "reading an uncertainty budget");
}

}  // namespace nightwell::plan
