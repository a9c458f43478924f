// Sensor models as JSON, the same in sensor cards and journals (docs/journal.md, "Sensor models").
//
// Units stand in the keys. Ranges: coefficients are finite; r0_ohm and r_tpw_ohm 0.01 to 100000; a platinum sensor
// gives all three of a_per_c, b_per_c2, c_per_c4 or none (then IEC 60751:2022 holds); a thermocouple without
// deviation_uv follows the reference function of IEC 60584-1; an SPRT has a side below or above the triple point of
// water or both, with as many coefficients as the ITS-90 text (Preston-Thomas 1990) gives the subrange; low < high;
// a thermistor has either a, b, c (Steinhart–Hart) or coefficients (two to six, of ln R), and its resistance falls from low_c
// to high_c.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::plan {

class ObjectReader;

[[nodiscard]] nlohmann::ordered_json model_json(const thermometry::SensorModel& model);

// Errors: bad_input, with the pointer inside the model and what is allowed there; the first fault of several.
[[nodiscard]] Result<thermometry::SensorModel> model_from_json(const nlohmann::ordered_json& json);

// For files that want every fault: nullopt where at least one has been added to the reader's list.
[[nodiscard]] std::optional<thermometry::SensorModel> read_model(ObjectReader& reader);

}  // namespace nightwell::plan
