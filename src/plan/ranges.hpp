// What numbers in input files may be, in one place. The JSON Schemas in profiles/schema/ and docs/files.md say the same.
//
// The ranges keep typing mistakes out (minutes for seconds, a lost decimal point); what an instrument or a sensor
// really stands is checked against bench and cards. Common practice, no source.
#pragma once

#include "plan/object_reader.hpp"

namespace nightwell::plan::ranges {

inline constexpr double one_hour_s = 3600, one_day_s = 86400, one_week_s = 604800;

// From absolute zero to above the hottest thermocouple (IEC 60584-1, type C: 2315 °C).
inline constexpr Range temperature_c{-273.15, 2500, "°C"};
inline constexpr Range difference_k{0, 100, "K", true};
inline constexpr Range band_k{0, 50, "K", true};
inline constexpr Range junction_c{-50, 100, "°C"};

inline constexpr Range sampling_s{0.1, one_hour_s, "s"};
inline constexpr Range items_every_s{0.1, one_day_s, "s"};
inline constexpr Range window_s{1, one_day_s, "s"};
inline constexpr Range pause_s{0, one_hour_s, "s"};
inline constexpr Range stale_s{0.1, one_day_s, "s"};
inline constexpr Range within_s{1, one_week_s, "s"};
inline constexpr Range reply_s{0.05, 60, "s"};
inline constexpr Range lease_s{0.1, one_hour_s, "s"};
inline constexpr Range poll_s{0.05, one_hour_s, "s"};

// Of a driver's program.
inline constexpr std::size_t most_arguments = 32, longest_argument = 1000;

// Characters of a file or device path.
inline constexpr std::size_t longest_path = 400;

inline constexpr int most_sweeps = 1000;
inline constexpr int smallest_address = 1, largest_address = 9999;
inline constexpr std::size_t most_scanners = 32, most_sources = 16, most_channels = 2000;
inline constexpr std::size_t most_references = 2, most_items = 500, most_junctions = 502;

}  // namespace nightwell::plan::ranges
