/** A `describe` answer as a worker gives it, with a setting of every type. */
#ifndef TESTS_SERVER_CATALOGUE_DESCRIBED_H
#define TESTS_SERVER_CATALOGUE_DESCRIBED_H

#include <jansson.h>

static const char described_text[] =
    "{\"answer\":\"done\",\"engine\":{\"name\":\"residuum\",\"version\":\"0.1.0\"},"
    "\"measurements\":[{\"name\":\"distortion\",\"summary\":\"s\",\"stimulus\":\"tone\","
    "\"settings\":["
    "{\"name\":\"channels\",\"type\":\"channels\",\"unit\":\"\",\"default\":null,"
    "\"minimum\":1,\"maximum\":16,\"choices\":null,\"meaning\":\"m\"},"
    "{\"name\":\"start_s\",\"type\":\"number\",\"unit\":\"s\",\"default\":0,"
    "\"minimum\":0,\"maximum\":14400,\"choices\":null,\"meaning\":\"m\"},"
    "{\"name\":\"frequency_hz\",\"type\":\"number\",\"unit\":\"Hz\",\"default\":null,"
    "\"minimum\":5,\"maximum\":384000,\"choices\":null,\"meaning\":\"m\"},"
    "{\"name\":\"band_hz\",\"type\":\"range\",\"unit\":\"Hz\",\"default\":[20,20000],"
    "\"minimum\":1,\"maximum\":384000,\"choices\":null,\"meaning\":\"m\"},"
    "{\"name\":\"harmonics\",\"type\":\"integer\",\"unit\":\"\",\"default\":10,"
    "\"minimum\":2,\"maximum\":100,\"choices\":null,\"meaning\":\"m\"},"
    "{\"name\":\"notch\",\"type\":\"choice_or_number\",\"unit\":\"\","
    "\"default\":\"band\",\"minimum\":1.2,\"maximum\":3,\"choices\":[\"band\"],"
    "\"meaning\":\"m\"},"
    "{\"name\":\"offset\",\"type\":\"number\",\"unit\":\"dB\",\"default\":0,"
    "\"minimum\":null,\"maximum\":null,\"choices\":null,\"meaning\":\"m\"}],"
    "\"figures\":[{\"name\":\"thd\",\"unit\":\"dB\",\"definition\":\"d\","
    "\"source\":\"s\",\"better\":\"lower\",\"floor\":\"harmonic\"}],"
    "\"findings\":[{\"name\":\"overload\",\"type\":\"boolean\",\"definition\":\"d\"}],"
    "\"lists\":[{\"name\":\"harmonics\",\"definition\":\"d\",\"fields\":["
    "{\"name\":\"order\",\"type\":\"number\",\"unit\":\"\"}]}],"
    "\"series\":[{\"name\":\"spectrum\",\"definition\":\"d\","
    "\"x\":{\"name\":\"frequency\",\"unit\":\"Hz\"},"
    "\"y\":{\"name\":\"level\",\"unit\":\"dBFS\"}}]}],"
    "\"signals\":[{\"name\":\"tone\",\"summary\":\"s\",\"parameters\":["
    "{\"name\":\"bits\",\"type\":\"integer\",\"unit\":\"bit\",\"default\":24,"
    "\"minimum\":16,\"maximum\":32,\"choices\":[16,24,32],\"meaning\":\"m\"},"
    "{\"name\":\"frequency_hz\",\"type\":\"number\",\"unit\":\"Hz\",\"default\":997,"
    "\"minimum\":1,\"maximum\":384000,\"choices\":null,\"meaning\":\"m\"},"
    "{\"name\":\"dither\",\"type\":\"choice\",\"unit\":\"\",\"default\":\"tpdf\","
    "\"minimum\":null,\"maximum\":null,\"choices\":[\"tpdf\",\"none\"],"
    "\"meaning\":\"m\"},"
    "{\"name\":\"span\",\"type\":\"range\",\"unit\":\"Hz\",\"default\":null,"
    "\"minimum\":1,\"maximum\":10,\"choices\":null,\"meaning\":\"m\"},"
    "{\"name\":\"fade\",\"type\":\"choice_or_number\",\"unit\":\"s\","
    "\"default\":\"short\",\"minimum\":0,\"maximum\":1,\"choices\":[\"short\"],"
    "\"meaning\":\"m\"}],"
    "\"formats\":[\"wav\"]}]}";

/* Another measurement and another signal, with names that the first have, too. */
static const char described_second_measurement[] =
    "{\"name\":\"noise\",\"summary\":\"s\",\"stimulus\":\"silence\",\"settings\":["
    "{\"name\":\"channels\",\"type\":\"channels\",\"unit\":\"\",\"default\":null,"
    "\"minimum\":1,\"maximum\":16,\"choices\":null,\"meaning\":\"m\"},"
    "{\"name\":\"mains_hz\",\"type\":\"choice\",\"unit\":\"Hz\","
    "\"default\":\"auto\",\"minimum\":null,\"maximum\":null,"
    "\"choices\":[\"auto\",\"50\"],\"meaning\":\"m\"}],"
    "\"figures\":[{\"name\":\"noise_level\",\"unit\":\"dBFS\",\"definition\":\"d\","
    "\"source\":\"s\",\"better\":\"lower\",\"floor\":\"noise\"}],"
    "\"findings\":[],\"lists\":[],\"series\":[{\"name\":\"spectrum\","
    "\"definition\":\"d\",\"x\":{\"name\":\"frequency\",\"unit\":\"Hz\"},"
    "\"y\":{\"name\":\"level\",\"unit\":\"dBFS\"}},{\"name\":\"by_band\","
    "\"definition\":\"d\",\"x\":{\"name\":\"frequency\",\"unit\":\"Hz\"},"
    "\"y\":{\"name\":\"level\",\"unit\":\"dBFS\"}}]}";
static const char described_second_signal[] =
    "{\"name\":\"silence\",\"summary\":\"s\",\"parameters\":["
    "{\"name\":\"bits\",\"type\":\"integer\",\"unit\":\"bit\",\"default\":24,"
    "\"minimum\":16,\"maximum\":32,\"choices\":[16,24,32],\"meaning\":\"m\"},"
    "{\"name\":\"fade\",\"type\":\"number\",\"unit\":\"s\",\"default\":0,"
    "\"minimum\":0,\"maximum\":1,\"choices\":null,\"meaning\":\"m\"}],"
    "\"formats\":[\"wav\"]}";

static inline json_t *described_new(void)
{
    return json_loads(described_text, JSON_REJECT_DUPLICATES, NULL);
}

/** The same with the second ones. */
static inline json_t *described_several(void)
{
    json_t *described = described_new();
    json_array_append_new(json_object_get(described, "measurements"),
                          json_loads(described_second_measurement, 0, NULL));
    json_array_append_new(json_object_get(described, "signals"),
                          json_loads(described_second_signal, 0, NULL));
    return described;
}

#endif
