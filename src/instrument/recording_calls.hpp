// Scanners and heat sources whose calls and results are written down beside the bytes, in the words of wire logs, so that
// a recorded log can be played against the driver again. They change nothing of what the instrument under them does.
#pragma once

#include <memory>
#include <string>

#include "instrument/heat_source.hpp"
#include "instrument/scanner.hpp"
#include "instrument/wire_recorder.hpp"

namespace nightwell::instrument {

[[nodiscard]] std::unique_ptr<Scanner> recorded(std::unique_ptr<Scanner> scanner,
                                                std::shared_ptr<WireRecorder> recorder);
[[nodiscard]] std::unique_ptr<HeatSource> recorded(std::unique_ptr<HeatSource> source,
                                                   std::shared_ptr<WireRecorder> recorder);

// What a call gave, as a wire log says it: "done"; "on"; "100.5", with " odd" where it is; an identity with its old errors
// behind " | "; "error no_answer: and words for people".
[[nodiscard]] std::string outcome(const Result<void>& done);
[[nodiscard]] std::string outcome(const Result<bool>& state);
[[nodiscard]] std::string outcome(const Result<double>& value);
[[nodiscard]] std::string outcome(const Result<Reading>& reading);
[[nodiscard]] std::string outcome(const Result<Identity>& identity);

}  // namespace nightwell::instrument
