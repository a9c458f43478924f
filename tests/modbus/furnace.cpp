#include "modbus/furnace.hpp"

#include <bit>
#include <fstream>
#include <sstream>

namespace nightwell::modbus::test {

namespace {

void follow(Server& server, const WriteRequest&) {
  server.input[12] = static_cast<std::uint16_t>((server.coils.at(0) ? 1U : 0U) | (server.holding[21] != 0 ? 4U : 0U));
}

}  // namespace

Server furnace(dialect::Framing framing) {
  Server server(framing, 17);
  const auto bits = std::bit_cast<std::uint32_t>(20.5F);
  server.input = {{0, 20055}, {1, 7}, {2, 103}, {12, 0}};
  server.input[8] = static_cast<std::uint16_t>(bits & 0xFFFFU);
  server.input[9] = static_cast<std::uint16_t>(bits >> 16U);
  server.holding = {{16, 210}, {20, 0}, {21, 0}};
  server.coils = {{0, false}};
  server.written = follow;
  return server;
}

std::string furnace_dialect(dialect::Framing framing) {
  std::ifstream file(std::string(NIGHTWELL_SOURCE_DIR) + "/drivers/dialects/register-furnace.json");
  std::ostringstream text;
  text << file.rdbuf();
  std::string out = text.str();
  const std::string rtu = "\"framing\": \"rtu\"";
  if (framing == dialect::Framing::tcp) out.replace(out.find(rtu), rtu.size(), "\"framing\": \"tcp\"");
  return out;
}

}  // namespace nightwell::modbus::test
