// Sensor models as JSON, the same in sensor cards and in journals (docs/journal.md, "Sensor models").
//
// Units as in nightwell/thermometry/sensor.hpp, named in the keys.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"
#include "plan/fields.hpp"

namespace nightwell::plan {

// Every coefficient is written, also those that follow a standard.
[[nodiscard]] nlohmann::ordered_json model_json(const thermometry::SensorModel& model);

// Errors: bad_input; the first thing that is wrong, its place (relative to the model) in `where`.
[[nodiscard]] Result<thermometry::SensorModel> model_from_json(const nlohmann::ordered_json& json);

// The same for a file that is being read: every fault goes to the reader's list, nullopt where there was one.
[[nodiscard]] std::optional<thermometry::SensorModel> read_model(Fields& fields);

}  // namespace nightwell::plan
