#include "results/card.hpp"

#include "plan/sensor_json.hpp"
#include "plan/tolerance_json.hpp"

namespace nightwell::results {

namespace {

std::optional<Role> role(std::string_view word) {
  for (const Role one : {Role::reference, Role::item, Role::junction})
    if (name(one) == word) return one;
  return std::nullopt;
}

Junction junction_of(const Fields& fields, std::size_t channels) {
  if (fields.at("junction").is_null()) return NoJunction{};
  const Fields junction = fields.object("junction");
  if (junction.has("channel")) return JunctionChannel{junction.index("channel", channels)};
  if (junction.has("fixed_c")) return JunctionFixed{junction.number("fixed_c")};
  if (junction.has("instrument")) return JunctionAtZero{};
  junction.fail("it names no junction that is known");
  return NoJunction{};
}

}  // namespace

Channel card_of(const Fields& fields, std::size_t channels) {
  Channel card;
  card.name = fields.text("name");
  card.scanner = fields.text("scanner");
  card.serial = fields.text("serial");
  card.type = fields.text("type");
  card.certificate = fields.text_or_null("certificate");
  card.calibrated = fields.text_or_null("calibrated");
  card.due = fields.text_or_null("due");
  card.u95_k = fields.number_or_null("u95_k");
  card.lowest_c = fields.number("lowest_c");
  card.highest_c = fields.number("highest_c");
  card.junction = junction_of(fields, channels);
  if (const auto found = role(fields.text("role")))
    card.role = *found;
  else
    fields.fail("\"role\" is not reference, item or junction");
  if (const auto found = quantity(fields.text("measures")))
    card.measures = *found;
  else
    fields.fail("\"measures\" is no quantity that is known");
  auto model = plan::model_from_json(fields.at("model"));
  if (model)
    card.model = std::move(model).value();
  else
    fields.fail("\"model\": " + model.error().text());
  // Journals of earlier versions have none.
  if (!fields.has("tolerance") || fields.at("tolerance").is_null()) return card;
  auto tolerance = plan::tolerance_from_json(fields.at("tolerance"), card.model);
  if (tolerance)
    card.tolerance = std::move(tolerance).value();
  else
    fields.fail("\"tolerance\": " + tolerance.error().text());
  return card;
}

}  // namespace nightwell::results
