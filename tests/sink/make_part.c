/* Makes a state folder with one sealed part, for tests that read it with other programs:
 *
 *   make_part STATE_DIR good|leaky|open|odd      prints the folder's path
 *
 * The bag is worked out in integers (thousandths of a mbar): pumped down, shut off, leaking at a known rate, with
 * a transient at first and noise. The station runs for real: phases, drop test, verdict, record. */
#include <stdlib.h>

#include "sink/sink.h"
#include "tt_station.h"

int main(int argc, char **argv)
{
    struct tt_station *s = calloc(1, sizeof *s);
    struct taut_diag diag = {0};
    if (argc != 3 || !s)
        return 2;
    struct tautd_sink *sink = tautd_sink_new(argv[1], 0.5, &diag);
    if (!sink) {
        fprintf(stderr, "%s: %s\n", diag.file, diag.text);
        return 1;
    }
    bool odd = strcmp(argv[2], "odd") == 0;
    tt_station_start(s, sink, odd ? "hatch, \"left\" \xC3\xA9/2" : "rudder-17", 1);
    tt_station_make_part(s, strcmp(argv[2], "leaky") == 0 ? 1500 : 120, odd, strcmp(argv[2], "open") == 0);
    puts(s->path);
    tautd_sink_free(sink, 10);
    free(s);
    return 0;
}
