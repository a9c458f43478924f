#include "report/setup_json.hpp"

#include <nlohmann/json.hpp>

namespace nightwell::report {

namespace {

using SetupJson = nlohmann::ordered_json;

// The record's own fields.
SetupJson own_fields(const journal::Record& record) {
  SetupJson out = SetupJson::object();
  for (const auto& [key, value] : record.body.items())
    if (key != "n" && key != "utc" && key != "up_s" && key != "kind" && key != "prev") out[key] = value;
  return out;
}

class Setup {
 public:
  void take(const journal::Record& record) {
    if (record.kind == "opening") opening_ = own_fields(record);
    if (record.kind == "plan") plan_ = own_fields(record);
    if (record.kind == "card") cards_.push_back(own_fields(record));
    if (record.kind == "budget" && record.body.contains("budget")) budget_ = record.body["budget"];
    if (record.kind == "plateau_plan") plateaus_.push_back(own_fields(record));
  }

  [[nodiscard]] std::string text(const results::Results& results) && {
    const SetupJson out{{"format", "nightwell-setup/1"},
                        {"run", results.run},
                        {"journal", {{"lines", results.verification.lines}, {"head", results.verification.head}}},
                        {"opening", std::move(opening_)},
                        {"plan", std::move(plan_)},
                        {"cards", std::move(cards_)},
                        {"budget", std::move(budget_)},
                        {"plateaus", std::move(plateaus_)}};
    return out.dump(2, ' ', true, SetupJson::error_handler_t::replace) + "\n";
  }

 private:
  SetupJson opening_, plan_, budget_;
  SetupJson cards_ = SetupJson::array(), plateaus_ = SetupJson::array();
};

}  // namespace

Result<std::string> setup_json(const std::filesystem::path& path, const results::Results& results) {
  Setup setup;
  const auto verification = journal::read(
      path, [&](const journal::Record& record) { setup.take(record); }, [](const journal::SweepRecord&) {});
  if (!verification) return verification.error();
  return std::move(setup).text(results);
}

std::string setup_json(std::span<const journal::Record> records, const results::Results& results) {
  Setup setup;
  for (const auto& record : records) setup.take(record);
  return std::move(setup).text(results);
}

}  // namespace nightwell::report
