// What the calls of both kinds of instrument have in common.
#pragma once

#include <string>
#include <system_error>

#include "instrument/scanner.hpp"
#include "instrument/turn.hpp"
#include "nightwell/instrument/scpi.hpp"
#include "nightwell/result.hpp"

namespace nightwell::program {

using instrument::Turn;

[[nodiscard]] inline Error call_error(Errc code, std::string detail) {
  return Error{code, "", std::move(detail), ""};
}

[[nodiscard]] inline Error overlapping() {
  return call_error(Errc::unexpected, "a call came while another was going on");
}

[[nodiscard]] inline Error closed() {
  return call_error(Errc::port_gone, "the driver's program does not run; identify the instrument first");
}

[[nodiscard]] inline Error from_exception(const std::system_error& problem) {
  if (problem.code() == asio::error::operation_aborted) return call_error(Errc::port_gone, "the call was cancelled");
  return call_error(Errc::unexpected, problem.what());
}

[[nodiscard]] inline Error named_error(Error error, const std::string& doing,
                                       const instrument::ConnectionSettings& settings) {
  error.doing = doing + " of " + settings.name;
  if (error.where.empty()) error.where = settings.program.path;
  return error;
}

// Whether this identity is the wanted one, and the one that was first learned (empty: none yet).
[[nodiscard]] inline Result<void> check_identity(const std::string& got, const std::string& wanted,
                                                 const std::string& known) {
  if (got.find(wanted) != std::string::npos && (known.empty() || got == known)) return {};
  return call_error(Errc::wrong_identity, "expected \"" + instrument::printable(known.empty() ? wanted : known) +
                                              "\", but \"" + instrument::printable(got) +
                                              "\" answers; nothing was set. Are the ports swapped?");
}

}  // namespace nightwell::program
