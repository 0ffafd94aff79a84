/* Polling a server that is not ours: pymodbus by TCP, and by RTU over a pair of pseudo-terminals. Values and byte orders:
 * float32_word_order.csv (IEEE 754). Skipped (77) where python3-pymodbus, its serial part or socat is not there. */
#include <netinet/in.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#include "rig.h"
#include "tt_csv.h"

static const char table[] = TAUT_REFERENCE "/float32_word_order.csv";

static pid_t start(char *const argv[])
{
    pid_t pid = fork();
    if (pid == 0) {
        if (!freopen("/dev/null", "w", stderr) || !freopen("/dev/null", "w", stdout))
            _exit(126);
        execvp(argv[0], argv);
        _exit(127);
    }
    return pid;
}

static void end(pid_t pid)
{
    kill(pid, SIGTERM);
    for (int i = 0; i < 300; i++) { /* three seconds to go by itself */
        if (waitpid(pid, NULL, WNOHANG) == pid)
            return;
        usleep(10000);
    }
    kill(pid, SIGKILL);
    waitpid(pid, NULL, 0);
}

static int free_port(void)
{
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof a;
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    assert_true(fd >= 0 && bind(fd, (struct sockaddr *)&a, sizeof a) == 0);
    assert_int_equal(getsockname(fd, (struct sockaddr *)&a, &size), 0);
    close(fd);
    return ntohs(a.sin_port);
}

/* Every published float, in each order, from the table that alternates. */
static void poll_all(void)
{
    double want[RIG_CHANNELS];
    struct tt_csv t;
    int row = 0;
    tt_csv_open(&t, "float32_word_order.csv");
    for (; tt_csv_next(&t) && rig.config.channels + 4 <= RIG_CHANNELS; row++)
        for (int order = 0; order < 4; order++) {
            int c = rig_channel(0, 1, row % 2 ? TAUTD_TABLE_INPUT : TAUTD_TABLE_HOLDING, 100 * order + 2 * row, 0.1);
            rig.channel[c].type = TAUT_REG_FLOAT32;
            rig.channel[c].order = order;
            want[c] = tt_csv_number(&t, "nearest_float32");
        }
    tt_csv_close(&t);
    assert_true(row >= 4);
    rig.line[0].timeout_s = 1;
    rig.line[0].gap_registers = 4; /* rows alternate between the tables: joined across */
    rig_start();
    assert_true(rig_await(0, TAUT_REASON_NONE, 10, 30));
    int good = 0;
    for (int i = 0; i < rig.n; i++)
        if (rig.seen[i].quality == TAUT_QUALITY_GOOD) {
            double expected = want[rig.seen[i].channel], got = rig.seen[i].number;
            assert_true(got == expected || (isnan(got) && isnan(expected)));
            good++;
        }
    assert_true(good >= 7 * rig.config.channels);
    assert_int_equal(rig_stats(0).bad_frames, 0);
    assert_int_equal(rig_stats(0).exceptions, 0);
    rig_stop();
}

static void floats_of_all_orders_come_by_tcp(void **state)
{
    (void)state;
    char port[12];
    int number = free_port();
    snprintf(port, sizeof port, "%d", number);
    pid_t server =
        start((char *[]){"/usr/bin/python3", TAUT_SOURCE "/tests/bus/pymodbus_server.py", "tcp", port, (char *)table, NULL});
    rig_clear();
    rig_line(TAUTD_LINE_TCP, NULL, number);
    poll_all();
    end(server);
}

static void floats_of_all_orders_come_by_rtu(void **state)
{
    (void)state;
    char directory[] = "/tmp/tt-pair-XXXXXX", ours[64], theirs[64], a[128], b[128];
    struct stat s;
    assert_non_null(mkdtemp(directory));
    snprintf(ours, sizeof ours, "%s/ours", directory);
    snprintf(theirs, sizeof theirs, "%s/theirs", directory);
    snprintf(a, sizeof a, "pty,raw,echo=0,link=%s", ours);
    snprintf(b, sizeof b, "pty,raw,echo=0,link=%s", theirs);
    pid_t pair = start((char *[]){"socat", a, b, NULL});
    for (int i = 0; i < 500 && (stat(ours, &s) != 0 || stat(theirs, &s) != 0); i++)
        usleep(10000);
    pid_t server =
        start((char *[]){"/usr/bin/python3", TAUT_SOURCE "/tests/bus/pymodbus_server.py", "rtu", theirs, (char *)table, NULL});
    rig_clear();
    rig_line(TAUTD_LINE_RTU, ours, 0);
    rig.line[0].baud = 19200;
    poll_all();
    end(server);
    end(pair);
    unlink(ours);
    unlink(theirs);
    rmdir(directory);
}

int main(void)
{
    if (system("/usr/bin/python3 -c 'import pymodbus.server, serial' 2>/dev/null && command -v socat >/dev/null") != 0) {
        fputs("skipped: needs python3-pymodbus, python3-serial, python3-serial-asyncio (Debian 12) and socat\n", stderr);
        return 77;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(floats_of_all_orders_come_by_tcp),
        cmocka_unit_test(floats_of_all_orders_come_by_rtu),
    };
    return cmocka_run_group_tests_name("pymodbus", tests, NULL, NULL);
}
