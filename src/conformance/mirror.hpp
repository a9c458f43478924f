// The instrument that a dialect describes, made of its file: the far side of a faulty line, in memory. Lines of text:
// line_mirror.hpp; Modbus registers: register_mirror.hpp.
#pragma once

#include <functional>
#include <memory>

#include "conformance/faulty_line.hpp"
#include "dialect/dialect.hpp"

namespace nightwell::conformance {

struct Mirror {
  Mirrored far_side;
  // Its next command is refused; from any thread. Empty: the dialect has no way to say no.
  std::function<void()> refuse_next;
};

[[nodiscard]] Mirror mirror_of(std::shared_ptr<const dialect::Dialect> dialect);

}  // namespace nightwell::conformance
