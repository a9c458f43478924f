// Sensor card: one sensor, its model, where it may be used, and its certificate.
#include "plan/dates.hpp"
#include "plan/drafts.hpp"
#include "plan/ranges.hpp"
#include "plan/sensor_json.hpp"
#include "plan/tolerance_json.hpp"

namespace nightwell::plan {

namespace {

std::string date_if(ObjectReader& reader, const std::string& key) {
  const auto date = reader.text_if(key, 10);
  if (!date || is_date(*date)) return date.value_or("");
  reader.refuse(key, "a date of the calendar, \"YYYY-MM-DD\"");
  return "";
}

void read_limits(ObjectReader& reader, CardDraft& card) {
  card.lowest_c = reader.number("lowest_c", ranges::temperature_c);
  card.highest_c = reader.number("highest_c", ranges::temperature_c);
  card.value.lowest_c = card.lowest_c.value_or(0);
  card.value.highest_c = card.highest_c.value_or(0);
  if (!card.lowest_c || !card.highest_c || *card.lowest_c < *card.highest_c) return;
  reader.refuse("highest_c", "above lowest_c, " + shortest(*card.lowest_c) + " °C");
  card.lowest_c = card.highest_c = std::nullopt;
}

void read_certificate(ObjectReader& reader, CardDraft& card) {
  card.has_certificate = reader.has("certificate");
  card.value.certificate = reader.text_if("certificate").value_or("");
  card.value.calibrated = date_if(reader, "calibrated");
  card.has_due = reader.has("due");
  card.value.due = date_if(reader, "due");
  card.has_u95 = reader.has("u95_k");
  card.value.u95_k = reader.number_if("u95_k", ranges::difference_k);
  const bool both = !card.value.calibrated.empty() && !card.value.due.empty();
  if (both && card.value.due < card.value.calibrated)
    reader.refuse("due", "not before calibrated, " + card.value.calibrated);
}

}  // namespace

CardDraft read_card(const Json& document, const std::string& file, FaultList& faults) {
  CardDraft card;
  card.place = {file, ""};
  ObjectReader reader(document, card.place, faults);
  (void)reader.has("format");  // judged before
  card.serial = reader.text("serial", 100);
  card.value.file = file;
  card.value.serial = card.serial.value_or("");
  card.value.type = reader.text("type", 100).value_or("");
  if (auto model = reader.object("model")) card.model = read_model(*model);
  if (card.model) card.value.model = *card.model;
  read_limits(reader, card);
  read_certificate(reader, card);
  if (auto tolerance = reader.object_if("tolerance"); tolerance && card.model)
    card.value.tolerance = read_tolerance(*tolerance, *card.model);
  reader.finish();
  return card;
}

}  // namespace nightwell::plan
