#include "conformance/mirror.hpp"

#include <utility>

#include "conformance/line_mirror.hpp"
#include "conformance/register_mirror.hpp"

namespace nightwell::conformance {

namespace {

template <class Kind>
Mirror made_of(std::shared_ptr<Kind> instrument, bool can_refuse, bool on_tcp) {
  Mirror out;
  out.far_side.hear = [instrument](std::string_view bytes) { return instrument->hear(bytes); };
  out.far_side.on_tcp = on_tcp;
  if (can_refuse) out.refuse_next = [instrument] { instrument->refuse_next(); };
  return out;
}

}  // namespace

Mirror mirror_of(std::shared_ptr<const dialect::Dialect> dialect) {
  if (!dialect->registers) {
    auto lines = std::make_shared<LineMirror>(std::move(dialect));
    return made_of(lines, lines->can_refuse(), false);
  }
  const bool on_tcp = dialect->registers->framing == dialect::Framing::tcp;
  return made_of(std::make_shared<RegisterMirror>(std::move(dialect)), true, on_tcp);
}

}  // namespace nightwell::conformance
