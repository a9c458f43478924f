// The relay's figures for a monitoring program: what the journals say of the newest run of each bench, and how the relay does.
//
// Pure: values in, text out. docs/relay.md lists the metrics. Two forms of the same figures: OpenMetrics 1.0.0 (info, state set and
// summary in their own types, UNIT lines, # EOF), and the text format 0.0.4 that went before it, for programs that do not ask for
// OpenMetrics. Label values are text from outside: control and bidirectional characters as escapes (journal/plain_text.hpp),
// then escaped as the format says.
// Source: OpenMetrics 1.0.0 (2020-11), sections "Text Format" and "Metric Types"; its ABNF.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <string_view>
#include <vector>

#include "relay/counters.hpp"
#include "relay/run_view.hpp"

namespace nightwell::relay {

enum class MetricsForm { open_metrics, plain };

// application/openmetrics-text; version=1.0.0 …, or text/plain; version=0.0.4 ….
[[nodiscard]] std::string_view content_type(MetricsForm form);
// What a program asks for that sends this Accept header; where it names OpenMetrics with a weight above 0, that.
[[nodiscard]] MetricsForm wanted_form(std::string_view accept);

struct RelayFigures {
  Counters followers, page;                                     // of the two listeners
  std::uint64_t page_streams = 0;                               // pages that are open and follow a run
  bool runs_unreadable = false;                                 // the runs folder cannot be read now
  std::map<std::string, std::uint64_t, std::less<>> lag_bytes;  // behind its journal, by the follower's name
};

// `benches`: one run a bench; of two with the same name the first counts.
[[nodiscard]] std::string metrics_text(MetricsForm form, const std::vector<RunView>& benches,
                                       const RelayFigures& relay);

}  // namespace nightwell::relay
