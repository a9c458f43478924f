// A sensor's tolerance as JSON, the same in sensor cards and journals (docs/files.md, "tolerance").
//
// {"standard": "IEC 60584-1", "class": "1"}, with "build" for IEC 60751; or a customer's own, {"constant_k": 0.5,
// "fraction_of_t": 0.002}.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"
#include "thermometry/tolerance.hpp"

namespace nightwell::plan {

class ObjectReader;

[[nodiscard]] nlohmann::ordered_json tolerance_json(const thermometry::Tolerance& tolerance);

// `model`: whose tolerance it is; a thermocouple's type decides the row.
// Errors: bad_input, as model_from_json.
[[nodiscard]] Result<thermometry::Tolerance> tolerance_from_json(const nlohmann::ordered_json& json,
                                                                 const thermometry::SensorModel& model);

// For files that want every fault: nullopt where at least one has been added.
[[nodiscard]] std::optional<thermometry::Tolerance> read_tolerance(ObjectReader& reader,
                                                                   const thermometry::SensorModel& model);

}  // namespace nightwell::plan
