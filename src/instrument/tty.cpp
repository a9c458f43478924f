#include "instrument/tty.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <optional>
#include <system_error>

namespace nightwell::instrument {

namespace {

std::string system_text(int code) {
  return std::generic_category().message(code);
}

Error port_error(Errc code, std::string detail, const Port& port) {
  Error error;
  error.code = code;
  error.doing = "opening the port";
  error.detail = std::move(detail);
  error.where = port_name(port);
  return error;
}

struct Baud {
  int value;
  speed_t code;
};
constexpr std::array<Baud, 21> bauds{{{110, B110},        {150, B150},         {300, B300},         {600, B600},
                                      {1200, B1200},      {1800, B1800},       {2400, B2400},       {4800, B4800},
                                      {9600, B9600},      {19200, B19200},     {38400, B38400},     {57600, B57600},
                                      {115200, B115200},  {230400, B230400},   {460800, B460800},   {500000, B500000},
                                      {921600, B921600},  {1000000, B1000000}, {1500000, B1500000}, {2000000, B2000000},
                                      {3000000, B3000000}}};

std::optional<speed_t> baud_code(int value) {
  for (const Baud& baud : bauds)
    if (baud.value == value) return baud.code;
  return std::nullopt;
}

// Every flag that decides what a byte on the line becomes; compared after setting.
constexpr tcflag_t compared_control = CSIZE | CSTOPB | PARENB | PARODD | static_cast<tcflag_t>(CMSPAR) | CREAD |
                                      CLOCAL | HUPCL | static_cast<tcflag_t>(CRTSCTS);

struct Wanted {
  termios settings{};
  std::string problem;  // empty: good
};

Wanted wanted_settings(const SerialPort& port) {
  Wanted wanted;
  termios& t = wanted.settings;
  const auto baud = baud_code(port.baud);
  if (!baud) wanted.problem = "baud " + std::to_string(port.baud) + " is not a standard rate";
  // CLOCAL: no modem line stops us. HUPCL stays off: closing must not reset the instrument.
  t.c_cflag = CREAD | CLOCAL;
  if (port.data_bits == 7 || port.data_bits == 8)
    t.c_cflag |= port.data_bits == 8 ? static_cast<tcflag_t>(CS8) : static_cast<tcflag_t>(CS7);
  else
    wanted.problem = "data_bits must be 7 or 8";
  if (port.stop_bits == 2)
    t.c_cflag |= CSTOPB;
  else if (port.stop_bits != 1)
    wanted.problem = "stop_bits must be 1 or 2";
  if (port.parity == "even" || port.parity == "odd" || port.parity == "mark" || port.parity == "space") {
    t.c_cflag |= PARENB;
    t.c_iflag |= INPCK;  // a byte with a parity error arrives as NUL, which no reply may contain
    if (port.parity == "odd" || port.parity == "mark") t.c_cflag |= PARODD;
    if (port.parity == "mark" || port.parity == "space") t.c_cflag |= static_cast<tcflag_t>(CMSPAR);
  } else if (port.parity != "none") {
    wanted.problem = "parity must be none, even, odd, mark or space";
  }
  if (port.flow == "hardware")
    t.c_cflag |= static_cast<tcflag_t>(CRTSCTS);
  else if (port.flow == "software")
    t.c_iflag |= IXON | IXOFF;
  else if (port.flow != "none")
    wanted.problem = "flow must be none, hardware or software";
  t.c_cc[VMIN] = 1;
  t.c_cc[VTIME] = 0;
  if (baud) {
    cfsetispeed(&t, *baud);
    cfsetospeed(&t, *baud);
  }
  return wanted;
}

// tcsetattr succeeds if it could do anything at all of what was asked, so the device is asked what it took.
std::string difference(const termios& wanted, const termios& got) {
  std::string out;
  const auto differs = [&out](std::string_view what) {
    if (!out.empty()) out += ", ";
    out += what;
  };
  if (wanted.c_iflag != got.c_iflag) differs("input flags (flow, parity check, translations)");
  if (wanted.c_oflag != got.c_oflag) differs("output flags");
  if (wanted.c_lflag != got.c_lflag) differs("local flags (echo, line editing)");
  const tcflag_t control = (wanted.c_cflag ^ got.c_cflag) & compared_control;
  if (control & CSIZE) differs("data bits");
  if (control & CSTOPB) differs("stop bits");
  if (control & (PARENB | PARODD | static_cast<tcflag_t>(CMSPAR))) differs("parity");
  if (control & static_cast<tcflag_t>(CRTSCTS)) differs("hardware flow control");
  if (control & (CREAD | CLOCAL | HUPCL)) differs("modem control");
  if (wanted.c_cc[VMIN] != got.c_cc[VMIN] || wanted.c_cc[VTIME] != got.c_cc[VTIME]) differs("VMIN/VTIME");
  if (cfgetispeed(&wanted) != cfgetispeed(&got) || cfgetospeed(&wanted) != cfgetospeed(&got)) differs("baud");
  return out;
}

std::string set_and_compare(int fd, const termios& wanted) {
  termios got{};
  if (tcsetattr(fd, TCSANOW, &wanted) != 0 || tcgetattr(fd, &got) != 0) return system_text(errno);
  const std::string differs = difference(wanted, got);
  return differs.empty() ? "" : "the device did not take: " + differs;
}

Error cannot_open(int code, const Port& port) {
  if (code == EBUSY) return port_error(Errc::port_busy, "another program holds it exclusively", port);
  std::string detail = system_text(code);
  if (code == ENOENT || code == ENODEV || code == ENXIO) detail += "; is the instrument plugged in?";
  if (code == EACCES) detail += "; this user may not open it (group dialout on Debian)";
  return port_error(Errc::port_gone, std::move(detail), port);
}

// Empty: as asked. After opening, because the system raises both lines while it opens the port.
std::string set_control_lines(int fd, const SerialPort& line) {
  struct Line {
    const std::string& wanted;
    int bit;
    const char* name;
  };
  for (const Line& one : {Line{line.dtr, TIOCM_DTR, "dtr"}, Line{line.rts, TIOCM_RTS, "rts"}}) {
    if (one.wanted == "as_opened") continue;
    if (one.wanted != "on" && one.wanted != "off") return std::string(one.name) + " must be as_opened, on or off";
    int bit = one.bit;
    int now = 0;
    if (ioctl(fd, one.wanted == "on" ? TIOCMBIS : TIOCMBIC, &bit) != 0 || ioctl(fd, TIOCMGET, &now) != 0)
      return std::string(one.name) + ": " + system_text(errno);
    if (((now & one.bit) != 0) != (one.wanted == "on")) return std::string("the device did not take: ") + one.name;
  }
  return "";
}

Result<int> open_line(const std::string& path, const SerialPort& line, bool exclusive, const Port& port) {
  const Wanted wanted = wanted_settings(line);
  if (!wanted.problem.empty()) return port_error(Errc::port_settings, wanted.problem, port);

  const int fd = ::open(path.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
  if (fd < 0) return cannot_open(errno, port);
  const auto refuse = [fd, &port](Errc code, std::string detail) {
    ::close(fd);
    return port_error(code, std::move(detail), port);
  };
  if (isatty(fd) == 0) return refuse(Errc::port_settings, "it is not a terminal device");
  if (flock(fd, LOCK_EX | LOCK_NB) != 0)
    return refuse(Errc::port_busy, "another program holds it; is a second daemon running?");
  if (exclusive && ioctl(fd, TIOCEXCL) != 0) return refuse(Errc::port_settings, system_text(errno));
  if (const std::string problem = set_and_compare(fd, wanted.settings); !problem.empty()) {
    if (exclusive) ioctl(fd, TIOCNXCL);
    return refuse(Errc::port_settings, problem);
  }
  if (const std::string problem = set_control_lines(fd, line); !problem.empty()) {
    if (exclusive) ioctl(fd, TIOCNXCL);
    return refuse(Errc::port_settings, problem);
  }
  tcflush(fd, TCIOFLUSH);
  return fd;
}

}  // namespace

Result<int> open_serial(const SerialPort& port) {
  return open_line(port.path, port, true, port);
}

Result<int> open_pty(const PtyPort& port) {
  return open_line(port.path, SerialPort{}, false,
                   port);  // 8 bits, no parity, no flow control; baud means nothing
}

std::optional<PtyMark> pty_mark(const PtyPort& port) {
  struct stat found {};
  if (::lstat(port.path.c_str(), &found) != 0) return std::nullopt;
  PtyMark mark;
  mark.is_link = S_ISLNK(found.st_mode);
  mark.device = found.st_dev;
  mark.number = found.st_ino;
  if (mark.is_link) {
    mark.made_s = found.st_ctim.tv_sec;
    mark.made_ns = found.st_ctim.tv_nsec;
  }
  return mark;
}

void forget_output(int fd) {
  if (isatty(fd) == 0) return;
  tcflush(fd, TCIOFLUSH);
  ioctl(fd, TIOCNXCL);
}

}  // namespace nightwell::instrument
