/** What a worker answers to `health` and `inspect`; invented, of the shape that wire.h
 * and schemas_capture.c promise. */
#ifndef TESTS_SERVER_WORKERS_HEALTH_ANSWER_H
#define TESTS_SERVER_WORKERS_HEALTH_ANSWER_H

#define HEALTH_ANSWER_FORMAT                                                             \
    "{\"container\":\"flac\",\"encoding\":\"pcm_24\",\"sample_rate_hz\":48000,"          \
    "\"channels\":1,\"frames\":480000,\"duration_s\":10.0,\"md5\":\"verified\"}"
#define HEALTH_ANSWER_REPORT                                                             \
    "{\"channels\":[{\"channel\":1,\"peak_dbfs\":-1.02,\"rms_dbfs\":-4.0,"               \
    "\"dc_offset\":0.0,\"bits_in_use\":24,\"silent\":false,\"clipping\":{"               \
    "\"detected\":false,\"samples\":0,\"level_dbfs\":null},"                             \
    "\"over_full_scale_samples\":0,\"intersample_peak_dbfs\":null,"                      \
    "\"dropout_count\":1,\"dropouts\":[{\"frame\":71234,\"length_frames\":null,"         \
    "\"phase_step_deg\":-8.3,\"kind\":\"missing\"}],\"clean_span\":{"                    \
    "\"first_frame\":71234,\"frames\":408766},\"interchannel_delay_frames\":0.0,"        \
    "\"tone_frequency_hz\":997.0,\"clock_offset_ppm\":null}],"                           \
    "\"warnings\":[{\"code\":\"dropout\",\"message\":\"Frames are missing.\","           \
    "\"channel\":1}]}"
#define HEALTH_ANSWER_SUGGESTED "[{\"measurement\":\"distortion\",\"settings\":{}}]"
#define HEALTH_ANSWER                                                                    \
    "{\"answer\":\"done\",\"format\":" HEALTH_ANSWER_FORMAT                              \
    ",\"health\":" HEALTH_ANSWER_REPORT ",\"suggested\":" HEALTH_ANSWER_SUGGESTED "}"

#define HEALTH_ANSWER_INSPECTED                                                          \
    "{\"answer\":\"done\",\"format\":" HEALTH_ANSWER_FORMAT                              \
    ",\"warnings\":[{\"code\":\"truncated\",\"message\":\"It ends early.\"}]}"

#endif
