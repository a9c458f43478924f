#include "sequence/events.hpp"

namespace nightwell::sequence {

std::string_view name(Phase phase) {
  switch (phase) {
    case Phase::opening: return "opening";
    case Phase::preflight: return "preflight";
    case Phase::approach: return "approach";
    case Phase::settle: return "settle";
    case Phase::capture: return "capture";
    case Phase::cooldown: return "cooldown";
    case Phase::held: return "held";
    case Phase::waiting: return "waiting";
    case Phase::parked: return "parked";
    case Phase::finished: return "finished";
    case Phase::stopped: return "stopped";
  }
  return "";
}

std::string_view name(Outcome outcome) {
  switch (outcome) {
    case Outcome::settled: return "settled";
    case Outcome::not_settled: return "not_settled";
    case Outcome::skipped: return "skipped";
  }
  return "";
}

std::string_view name(Ending ending) {
  switch (ending) {
    case Ending::finished: return "finished";
    case Ending::stopped: return "stopped";
    case Ending::parked: return "parked";
  }
  return "";
}

std::string_view name(SweepPurpose purpose) {
  switch (purpose) {
    case SweepPurpose::preflight: return "preflight";
    case SweepPurpose::watch: return "watch";
    case SweepPurpose::window: return "window";
    case SweepPurpose::capture: return "capture";
    case SweepPurpose::survey: return "survey";
  }
  return "";
}

std::string_view name(Request request) {
  switch (request) {
    case Request::hold: return "hold";
    case Request::resume: return "resume";
    case Request::skip: return "skip";
    case Request::stop: return "stop";
    case Request::park: return "park";
    case Request::ready: return "ready";
  }
  return "";
}

std::optional<Request> request(std::string_view word) {
  for (Request r : {Request::hold, Request::resume, Request::skip, Request::stop, Request::park, Request::ready})
    if (name(r) == word) return r;
  return std::nullopt;
}

}  // namespace nightwell::sequence
