// libmodbus's own server, as a peer for our client: unit 17, registers and coils 0 to 63 that hold what is written.
// usage: libmodbus_server tcp PORT | rtu PATH. Says "ready"; serves until its line ends.
#include <modbus/modbus.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <string_view>

int main(int count, char** arguments) {
  if (count != 3) return 2;
  const bool tcp = std::string_view(arguments[1]) == "tcp";
  modbus_t* line =
      tcp ? modbus_new_tcp("127.0.0.1", std::atoi(arguments[2])) : modbus_new_rtu(arguments[2], 115'200, 'N', 8, 1);
  modbus_mapping_t* registers = modbus_mapping_new(64, 64, 64, 64);
  if (line == nullptr || registers == nullptr || modbus_set_slave(line, 17) != 0) return 1;
  registers->tab_input_registers[0] = 20055;
  registers->tab_input_registers[1] = 7;
  registers->tab_input_registers[2] = 103;
  registers->tab_input_registers[8] = 0x0000;  // 20.5 = 0x41A40000, low word first
  registers->tab_input_registers[9] = 0x41A4;
  int listener = -1;
  if (tcp) listener = modbus_tcp_listen(line, 1);
  if (tcp ? listener < 0 : modbus_connect(line) != 0) return 1;
  std::puts("ready");
  std::fflush(stdout);
  if (tcp && modbus_tcp_accept(line, &listener) < 0) return 1;
  for (;;) {
    unsigned char query[MODBUS_TCP_MAX_ADU_LENGTH];
    const int size = modbus_receive(line, query);
    if (size > 0) modbus_reply(line, query, size, registers);
    if (size < 0 && errno != EMBBADCRC) break;
  }
  if (listener >= 0) ::close(listener);
  modbus_close(line);
  modbus_mapping_free(registers);
  modbus_free(line);
  return 0;
}
