// Ports as people type them.
#include "cli/port_text.hpp"

#include <catch2/catch.hpp>

using namespace nightwell;

TEST_CASE("A port is read as it is spelled, and printed the same way", "[port_text]") {
  const auto text = GENERATE("serial:/dev/serial/by-id/usb-1,9600,8N1", "serial:/dev/x,115200,7E2,hardware",
                             "serial:/dev/x,1200,8S1,software", "tcp:192.168.1.20:5025", "tcp:[fe80::1]:5025",
                             "tcp:bath.lab:1", "pty:/tmp/a,b");
  const auto port = cli::parse_port(text);
  REQUIRE(port.ok());
  CHECK(cli::port_text(*port) == text);
}

TEST_CASE("What a serial port's spelling leaves out is 8N1 without flow control", "[port_text]") {
  const auto port = cli::parse_port("serial:/dev/x,9600");
  REQUIRE(port.ok());
  CHECK(cli::port_text(*port) == "serial:/dev/x,9600,8N1");
}

TEST_CASE("What is no port says what is wrong and how it is spelled", "[port_text]") {
  const auto [text, why] = GENERATE(table<const char*, const char*>({
      {"", "starts with"},
      {"usb:1", "starts with"},
      {"pty:", "starts with"},
      {"serial:dev/x,9600", "absolute path"},
      {"serial:/dev/x", "baud rate is missing"},
      {"serial:/dev/x,fast", "no baud rate"},
      {"serial:/dev/x,-1", "no baud rate"},
      {"serial:/dev/x,9600,9N1", "no frame"},
      {"serial:/dev/x,9600,8X1", "no frame"},
      {"serial:/dev/x,9600,8N3", "no frame"},
      {"serial:/dev/x,9600,8N1,xon", "flow control"},
      {"serial:/dev/x,9600,8N1,none,more", "too many"},
      {"tcp:host", "port number is missing"},
      {"tcp:host:0", "1 to 65535"},
      {"tcp:host:65536", "1 to 65535"},
      {"tcp::5025", "no host"},
      {"tcp:a b:5025", "no host"},
      {"tcp:fe80::1:5025", "stands in [ ]"},
  }));
  const auto port = cli::parse_port(text);
  REQUIRE_FALSE(port.ok());
  CHECK(port.error().code == Errc::bad_input);
  CHECK_THAT(port.error().detail, Catch::Contains(why));
  CHECK_THAT(port.error().detail, Catch::Contains(cli::port_spelling));
}
